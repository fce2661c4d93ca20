// Passkeys: signing in with one, and adding one. Without scripts, or where the browser knows none, the password does.
const said = document.querySelector<HTMLElement>(".passkey-said")

interface Asked { options: { publicKey: unknown }; kept: string }

async function call<T>(path: string, body: unknown): Promise<T> {
  const r = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) })
  const answer = await r.json().catch(() => ({}))
  if (!r.ok) throw new Error([answer.error, answer.hint].filter(Boolean).join("; ") || String(r.status))
  return answer as T
}

const bytes = (text: string) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0))
const text = (b: ArrayBuffer) => btoa(String.fromCharCode(...new Uint8Array(b))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "")

// The server writes binary values as base64url.
function request(o: any): PublicKeyCredentialRequestOptions {
  return { ...o, challenge: bytes(o.challenge), allowCredentials: (o.allowCredentials ?? []).map((c: any) => ({ ...c, id: bytes(c.id) })) }
}

function creation(o: any): PublicKeyCredentialCreationOptions {
  return { ...o, challenge: bytes(o.challenge), user: { ...o.user, id: bytes(o.user.id) }, excludeCredentials: (o.excludeCredentials ?? []).map((c: any) => ({ ...c, id: bytes(c.id) })) }
}

function answerOf(c: PublicKeyCredential) {
  const r = c.response as AuthenticatorAssertionResponse & AuthenticatorAttestationResponse
  const response: Record<string, unknown> = { clientDataJSON: text(r.clientDataJSON) }
  if (r.attestationObject) Object.assign(response, { attestationObject: text(r.attestationObject), transports: r.getTransports?.() ?? [] })
  else Object.assign(response, { authenticatorData: text(r.authenticatorData), signature: text(r.signature), userHandle: r.userHandle ? text(r.userHandle) : undefined })
  return { id: c.id, rawId: text(c.rawId), type: c.type, authenticatorAttachment: c.authenticatorAttachment ?? undefined, clientExtensionResults: c.getClientExtensionResults(), response }
}

async function attempt(failed: string, run: () => Promise<{ to: string }>) {
  if (said) said.textContent = ""
  try {
    location.assign((await run()).to)
  } catch (e) {
    const own = e instanceof Error && e.name === "Error" ? ` (${e.message})` : ""
    if (said) said.textContent = failed + own
  }
}

// A passkey belongs to a name: by a bare number no browser makes or uses one.
const named = !/^[\d.]+$|:|^\[/.test(location.hostname)

if (window.PublicKeyCredential && !named && said?.dataset.bare) said.textContent = said.dataset.bare

if (window.PublicKeyCredential && named) {
  const enter = document.querySelector<HTMLButtonElement>(".passkey-in")
  if (enter) {
    enter.hidden = false
    enter.addEventListener("click", () => attempt(enter.dataset.failed!, async () => {
      const asked = await call<Asked>("/api/passkey/ask", {})
      const got = (await navigator.credentials.get({ publicKey: request(asked.options.publicKey) })) as PublicKeyCredential
      return call("/api/passkey/answer", { token: enter.dataset.token, kept: asked.kept, to: enter.dataset.to, answer: answerOf(got) })
    }))
  }
  const add = document.querySelector<HTMLElement>(".passkey-new")
  if (add) {
    add.hidden = false
    add.querySelector("button")!.addEventListener("click", () => attempt(add.dataset.failed!, async () => {
      const asked = await call<Asked>("/api/account/passkey/ask", {})
      const made = (await navigator.credentials.create({ publicKey: creation(asked.options.publicKey) })) as PublicKeyCredential
      return call("/api/account/passkey/answer", { token: add.dataset.token, kept: asked.kept, name: add.querySelector("input")!.value, answer: answerOf(made) })
    }))
  }
}

// A one-time code that came with the address, behind the #, which no server ever sees.
const code = document.querySelector<HTMLInputElement>("#code")
if (code && location.pathname === "/start" && location.hash.length > 10) {
  code.value = location.hash.slice(1)
  history.replaceState(null, "", "/start")
}
export {}
