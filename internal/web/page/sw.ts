// The service worker keeps the shell of the running page, so that a reload works while the server is away. It
// keeps no data of a test: those lie in the page's own encrypted store.
declare const KEPT: string

interface Scope {
  skipWaiting(): Promise<void>
  clients: { claim(): Promise<void> }
  addEventListener(kind: string, act: (e: any) => void): void
}
const scope = self as unknown as Scope

const cache = "gradus-" + hash(KEPT)
const shell = /^\/tests\/[^/]+\/(run|participant|observe)$/
// A server that does not answer within this time is taken as away when the shell is kept, in ms.
const patience = 400

function hash(text: string): string {
  let h = 0
  for (let i = 0; i < text.length; i++) h = (Math.imul(h, 31) + text.charCodeAt(i)) | 0
  return (h >>> 0).toString(36)
}

scope.addEventListener("install", (e) => {
  e.waitUntil((async () => {
    await (await caches.open(cache)).addAll(KEPT.split(" "))
    await scope.skipWaiting()
  })())
})

scope.addEventListener("activate", (e) => {
  e.waitUntil((async () => {
    for (const name of await caches.keys()) if (name !== cache && name.startsWith("gradus-")) await keepShells(name)
    await scope.clients.claim()
  })())
})

// keepShells moves the shells of running tests into the new cache and drops the old one.
async function keepShells(name: string) {
  const old = await caches.open(name), now = await caches.open(cache)
  for (const request of await old.keys()) {
    if (!shell.test(new URL(request.url).pathname)) continue
    const answer = await old.match(request)
    // A shell names the scripts it was made with; they must stay beside it.
    if (answer) await now.put(request, answer)
  }
  for (const request of await old.keys()) {
    if (shell.test(new URL(request.url).pathname) || (await now.match(request))) continue
    const answer = await old.match(request)
    if (answer) await now.put(request, answer)
  }
  await caches.delete(name)
}

// While a page says that the server is away, a kept shell is given at once; a page says so again after a restart of this worker.
let away = false

scope.addEventListener("message", (e) => {
  if (e.data?.away !== undefined) {
    away = e.data.away
    return
  }
  const url = new URL(e.data?.keep ?? "", location.origin)
  if (url.origin !== location.origin || !shell.test(url.pathname)) return
  e.waitUntil(caches.open(cache).then((c) => c.add(url.href)).catch(() => {}))
})

scope.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url)
  if (e.request.method !== "GET" || url.origin !== location.origin) return
  if (url.pathname.startsWith("/assets/")) return e.respondWith(asset(e.request))
  if (e.request.mode === "navigate" && shell.test(url.pathname)) e.respondWith(shellOf(e.request))
})

async function asset(request: Request): Promise<Response> {
  const kept = await caches.match(request)
  if (kept) return kept
  const answer = await fetch(request)
  if (answer.ok) await (await caches.open(cache)).put(request, answer.clone())
  return answer
}

async function shellOf(request: Request): Promise<Response> {
  const kept = await caches.match(request.url)
  const fresh = fetch(request.url, { credentials: "same-origin" }).then(async (answer) => {
    if (answer.ok) await (await caches.open(cache)).put(request.url, answer.clone())
    // A server that is locked or in trouble is as good as away: the test goes on in the shell that was kept.
    return kept && answer.status >= 500 ? kept : answer
  })
  if (!kept) return fresh
  const late = new Promise<Response>((go) => setTimeout(() => go(kept), away ? 0 : patience))
  return Promise.race([fresh.catch(() => kept), late])
}
