// Sounds, speech, vibration and the metronome. All of it can be muted. The participant hears it too, so nothing
// that is spoken names heart rate, a limit or a stop.
import { T } from "./texts"
import type { Sound } from "./types"

export type Prompt = "soon" | "read" | "load" | "look" | "count"

// tones are [frequency in Hz, start and length in s].
const tones: Record<Prompt, [number, number, number][]> = {
  soon: [[523, 0, 0.12]],
  read: [[659, 0, 0.12], [659, 0.18, 0.12]],
  load: [[523, 0, 0.1], [659, 0.14, 0.1], [784, 0.28, 0.16]],
  look: [[440, 0, 0.25], [440, 0.4, 0.25]],
  count: [[988, 0, 0.2]],
}
const buzz: Record<Prompt, number[]> = { soon: [80], read: [120, 80, 120], load: [200, 80, 200], look: [300], count: [200] }

export interface Settings { sound: boolean; speech: boolean; vibration: boolean; metronome: boolean; keys: boolean; script: boolean; dark: string }

const standard: Settings = { sound: true, speech: false, vibration: false, metronome: false, keys: true, script: true, dark: "system" }

export class Prompts {
  settings: Settings = { ...standard, ...read() }
  spoken: string[] = [] // for the tests
  sounded: Prompt[] = []
  private audio: AudioContext | undefined
  private nextTick = 0
  lit = false // a beep sounds now
  beeped: number[] = [] // moments of the beeps, in ms of test time
  private beepFrom = -Infinity

  // unlock is called in a tap: browsers let a page sound only after one.
  unlock() {
    if (!this.audio && "AudioContext" in window) this.audio = new AudioContext()
    void this.audio?.resume()
  }

  set<K extends keyof Settings>(name: K, value: Settings[K]) {
    this.settings[name] = value
    try { localStorage.setItem("gradus-prompts", JSON.stringify(this.settings)) } catch { return }
  }

  sound(what: Prompt) {
    this.sounded.push(what)
    if (this.settings.sound) for (const [hz, at, lasts] of tones[what]) this.tone(hz, at, lasts)
    if (this.settings.vibration && navigator.vibrate) navigator.vibrate(buzz[what])
    const text = T.spoken[what]
    if (this.settings.speech && text) this.say(text)
  }

  say(text: string) {
    this.spoken.push(text)
    if ("speechSynthesis" in window) speechSynthesis.speak(new SpeechSynthesisUtterance(text))
  }

  private tone(hz: number, at: number, lasts: number, loud = 0.2) {
    if (!this.audio || this.audio.state !== "running") return
    try {
      const start = this.audio.currentTime + at
      const o = this.audio.createOscillator(), g = this.audio.createGain()
      o.frequency.value = hz
      g.gain.setValueAtTime(0, start)
      g.gain.linearRampToValueAtTime(loud, start + 0.01)
      g.gain.exponentialRampToValueAtTime(0.001, start + lasts)
      o.connect(g).connect(this.audio.destination)
      o.start(start)
      o.stop(start + lasts)
    } catch (e) {
      reportError(e) // a device that refuses a tone does not hold up the test
    }
  }

  // beeps plays the beeps of a plan, up to a second and a half ahead, and lights them for the eye. The last beep of a part
  // sounds three times where the part after it opens so. Now is test time, speed how fast it runs.
  beeps(b: Sound | null, now: number, speed: number, lit: () => void) {
    if (!b) return
    for (let k = 0; k < b.left; k++) {
      const at = b.at_ms + k * b.every_ms
      if (at > now + 1500 * speed) return
      if (at <= this.beepFrom + 1) continue
      this.beepFrom = at
      const wait = Math.max(0, at - now) / speed / 1000, triple = b.opens === "triple" && k === b.left - 1
      for (const later of triple ? [0, 0.2, 0.4] : [0]) if (this.settings.sound) this.tone(b.every_ms > 5000 ? 784 : 880, wait + later, b.every_ms > 5000 ? 0.15 : 0.05)
      setTimeout(() => { this.beeped.push(at); this.lit = true; lit() }, wait * 1000)
      setTimeout(() => { this.lit = false; lit() }, wait * 1000 + Math.min(120, b.every_ms / speed / 2))
    }
  }

  // beat schedules the metronome for the next moments, when it is on.
  beat(perMin: number | undefined) {
    if (!this.audio || !this.settings.metronome || !perMin) { this.nextTick = 0; return }
    const now = this.audio.currentTime
    if (this.nextTick < now) this.nextTick = now
    for (; this.nextTick < now + 1.5; this.nextTick += 60 / perMin) this.tone(880, this.nextTick - now, 0.04, 0.12)
  }
}

function read(): Partial<Settings> {
  try { return JSON.parse(localStorage.getItem("gradus-prompts") ?? "{}") } catch { return {} }
}

// WakeLock keeps the screen on while a test runs.
export class WakeLock {
  private held: WakeLockSentinel | undefined
  private wanted = false

  constructor() { document.addEventListener("visibilitychange", () => { if (!document.hidden && this.wanted) void this.get() }) }

  want(on: boolean) {
    if (on === this.wanted) return
    this.wanted = on
    if (on) void this.get()
    else void this.held?.release()
  }

  private async get() {
    if (!navigator.wakeLock) return
    try { this.held = await navigator.wakeLock.request("screen") } catch { this.held = undefined }
  }
}
