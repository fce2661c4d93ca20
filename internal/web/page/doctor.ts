// The page that looks at this browser: what the running page needs, what it is better with, and whether its clock is
// that of the server.
import { doctorTexts as T, type Check } from "./doctortexts"

// How far the device's clock may be from the server's, in ms; our choice. Test time follows neither.
const clockWithinMs = 5 * 60_000

type Level = "ok" | "attention" | "fault"

const list = document.querySelector<HTMLElement>("#doctor-list")
if (list) void look(list)

async function look(list: HTMLElement) {
  list.replaceChildren()
  const checks: [Check, Level, () => boolean | Promise<boolean>][] = [
    ["secure", "fault", () => isSecureContext],
    ["wasm", "fault", () => WebAssembly.validate(new Uint8Array([0, 97, 115, 109, 1, 0, 0, 0]))],
    ["worker", "fault", () => typeof Worker !== "undefined"],
    ["stream", "fault", () => typeof EventSource !== "undefined"],
    ["store", "fault", stores],
    ["crypto", "fault", async () => !!(await crypto.subtle.generateKey({ name: "AES-GCM", length: 256 }, false, ["encrypt"]))],
    ["locks", "attention", () => "locks" in navigator],
    ["offline", "attention", async () => "serviceWorker" in navigator && !!(await navigator.serviceWorker.register("/sw.js"))],
    ["shared", "attention", () => typeof SharedWorker !== "undefined"],
    ["bluetooth", "attention", () => "bluetooth" in navigator],
    ["wake", "attention", () => "wakeLock" in navigator],
    ["sound", "attention", () => typeof AudioContext !== "undefined"],
    ["clock", "attention", sameClock],
  ]
  let worst: Level = "ok"
  for (const [name, when, holds] of checks) {
    const good = await Promise.resolve().then(holds).catch(() => false)
    if (!good && (when === "fault" || worst === "ok")) worst = when
    list.append(line(name, good ? "ok" : when))
  }
  const said = document.querySelector("#doctor-said")
  if (said) said.textContent = T.said[worst]
  list.dataset.worst = worst
}

function line(name: Check, level: Level): HTMLElement {
  const li = document.createElement("li"), b = document.createElement("b")
  li.dataset.check = name
  li.dataset.level = level
  b.textContent = T.level[level]
  li.append(b, ` ${T.checks[name][0]}${level === "ok" ? "" : " " + T.checks[name][1]}`)
  return li
}

function stores(): Promise<boolean> {
  return new Promise((done) => {
    const request = indexedDB.open("gradus-doctor", 1)
    request.onerror = () => done(false)
    request.onsuccess = () => {
      request.result.close()
      indexedDB.deleteDatabase("gradus-doctor")
      done(true)
    }
  })
}

async function sameClock(): Promise<boolean> {
  const { wall_ms } = await (await fetch("/api/clock")).json()
  return Math.abs(Date.now() - wall_ms) < clockWithinMs
}
