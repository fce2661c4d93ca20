// The page to prepare a test works without scripts. Where the browser reaches Bluetooth, this adds a button beside the
// body mass that reads it from a scale.
import { Bluetooth, type Measured } from "./bluetooth"
import { Core } from "./core"
import { Signals } from "./signals"
import { T, withUnit } from "./texts"

const field = document.querySelector<HTMLInputElement>("#mass_kg")
if (field && "bluetooth" in navigator && navigator.bluetooth) offer(field)

function offer(field: HTMLInputElement) {
  const button = made("button", T.scale), said = made("span", ""), undo = made("button", T.undo)
  said.role = "status"
  undo.hidden = true
  let bluetooth: Bluetooth | undefined, before = ""
  const measured = (m: Measured) => {
    if (m.what !== "mass") return
    if (undo.hidden) before = field.value
    field.value = m.v.toFixed(1)
    said.textContent = T.scaleSaid(withUnit(field.value, "kg"), m.stored)
    undo.hidden = false
  }
  undo.onclick = () => {
    field.value = before
    said.textContent = ""
    undo.hidden = true
  }
  button.onclick = async () => {
    bluetooth ??= Bluetooth.open({ core: new Core(), signals: new Signals(), now: () => performance.now(), changed() {}, measured })
    said.textContent = T.scaleWait
    try { await bluetooth!.add("scale") } catch (e) { said.textContent = e instanceof Error && e.name === "NotFoundError" ? T.notChosen : String(e) }
  }
  const line = made("p", "")
  line.className = "scale-line"
  line.append(button, " ", said, " ", undo)
  field.closest(".field")!.append(line)
  Object.assign(window, { scale: measured })
}

function made<K extends keyof HTMLElementTagNameMap>(name: K, text: string): HTMLElementTagNameMap[K] {
  const e = document.createElement(name)
  e.textContent = text
  if (e instanceof HTMLButtonElement) e.type = "button"
  return e
}
