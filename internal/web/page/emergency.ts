// The emergency card and its hand-over sheet work without scripts. This runs the clock and the countdown, and holds a
// form back while the server does not answer, so that what was typed is not lost.
import { clock, left } from "./types"

const opened = performance.now()
const box = document.querySelector<HTMLElement>(".alarm-clock")
if (box) {
  const since = Number(box.dataset.sinceMs), due = Number(box.dataset.dueMs)
  const big = box.querySelector<HTMLElement>(".big")!, line = box.querySelector<HTMLElement>(".due")!
  const [before, after] = line.dataset.in!.split("%")
  // The countdown is looked at, not read aloud each second; that it is over is said once.
  line.setAttribute("aria-live", "off")
  let now = due <= 0
  const draw = () => {
    const passed = performance.now() - opened
    big.textContent = clock(since + passed)
    if (due - passed > 0) { line.textContent = before + left(due - passed) + after; return }
    if (!now) line.setAttribute("aria-live", "assertive")
    now = true
    line.classList.add("now")
    line.textContent = `${line.dataset.now} ${due > 0 ? clock(passed - due) : ""}`.trim()
    if (line.getAttribute("aria-live") === "assertive") setTimeout(() => line.setAttribute("aria-live", "off"), 900)
  }
  draw()
  setInterval(draw, 1000)
}

const form = document.querySelector<HTMLFormElement>("form.alarm")
const what = Object.assign(document.createElement("input"), { type: "hidden", name: "do" })
let asking = false // whether the server answers; a second tap meanwhile must not store the same once more
addEventListener("pageshow", () => { asking = false }) // also when the browser shows the page again as it was left
form?.addEventListener("submit", async (e) => {
  e.preventDefault()
  if (asking) return
  asking = true
  const button = e.submitter as HTMLButtonElement | null
  try {
    const r = await fetch("/api/clock", { signal: AbortSignal.timeout(4000), cache: "no-store" })
    if (!r.ok) throw new Error(String(r.status))
  } catch {
    let said = form.querySelector<HTMLElement>(".away")
    if (!said) {
      said = document.createElement("p")
      said.className = "caution away"
      said.setAttribute("role", "alert")
      form.prepend(said)
    }
    said.textContent = form.dataset.away!
    said.scrollIntoView({ block: "center" })
    asking = false
    return
  }
  what.value = button?.value ?? "vitals"
  form.append(what)
  form.submit()
})

const print = document.querySelector<HTMLButtonElement>("button.print")
if (print) {
  print.hidden = false
  print.addEventListener("click", () => window.print())
}
