// The editor of a protocol works without scripts. This checks the text while it is typed, and draws its stairs.
const field = document.querySelector<HTMLTextAreaElement>("#text"), told = document.querySelector("#told"), stairs = document.querySelector("#stairs")
const waitMs = 500

interface Checked { ok: boolean; title: string; stairs: string; errors: { line: number; col: number; text: string; hint: string }[] }

let timer = 0
let asked = 0

async function check() {
  const n = ++asked
  const r = await fetch("/api/protocols/check", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ text: field!.value }) }).catch(() => undefined)
  if (!r?.ok || n !== asked) return
  show(await r.json())
}

function show(c: Checked) {
  const list = document.createElement("ol")
  list.className = "faults-by-line"
  for (const e of c.errors) {
    const item = document.createElement("li"), go = document.createElement("button")
    go.type = "button"
    go.textContent = `${e.line}:${e.col}`
    go.onclick = () => toLine(e.line, e.col)
    item.append(go, ` ${e.text}${e.hint ? "; " + e.hint : ""}`)
    list.append(item)
  }
  const said = document.createElement("p")
  said.textContent = c.ok ? `${c.title}: nothing is wrong with the text.` : ""
  told!.replaceChildren(c.ok ? said : list)
  if (c.ok) stairs!.innerHTML = c.stairs // markup of our own server, its values escaped there
}

// toLine puts the caret where something is wrong.
function toLine(line: number, col: number) {
  const before = field!.value.split("\n").slice(0, line - 1).join("\n").length
  const at = before + (line > 1 ? 1 : 0) + Math.max(0, col - 1)
  field!.focus()
  field!.setSelectionRange(at, at + 1)
}

if (field && told && stairs) {
  field.addEventListener("input", () => {
    clearTimeout(timer)
    timer = window.setTimeout(() => void check(), waitMs)
  })
  if (!told.children.length && !stairs.children.length) void check()
}
