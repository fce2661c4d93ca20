// What is watched each second of test time: readings that sensors give by themselves, limits between readings,
// loads that the machine reports, silent sensors, and the prompts. What follows from a value is the conductor's.
import { Prompts } from "./prompts"
import type { Session, Taken } from "./session"
import type { Event, Sensed } from "./types"
import { ms } from "./types"

// Our own choices, in ms of test time and beats.
const autoWithinMs = 3000 // a reading is taken by itself only so shortly after its moment,
const recoveryWithinMs = 30_000 // in recovery, where it may come while the participant sits down, a little later
const silentMs = 10_000
const settledWithin = 3 // the mean of 30 s beside that of the window
const lockWithin = 2 // heart rate and step rate this near look alike
const machineTakesMs = 5000

export class Watcher {
  prompts = new Prompts()
  taken: Taken | undefined // the last reading taken by itself
  poor: Sensed | undefined // the window of the reading that is due, when it is not good enough
  locked = false // heart rate and step rate look alike
  private tried = new Set<string>()
  private windowTop = 0
  private cadenceLow = false
  private silent = false
  private loadTried = ""

  constructor(private s: Session) {}

  async second(at: number) {
    this.prompt()
    await this.reading(at)
    if (this.s.view.phase !== "riding") return
    await this.limit(at)
    await this.cadence(at)
    await this.machine(at)
    await this.silence(at)
  }

  // over is the length of the window of a heart-rate reading.
  private over(): number {
    const p = this.s.info.load.protocol
    for (const set of p.readings.sets) for (const r of set.read) if (r.what === "heart_rate") return ms(r.over)
    return ms(p.hold?.over) || 15_000
  }

  private dueKey() {
    const v = this.s.view
    return `${v.phase} ${v.stage} ${v.next.slot} ${v.next_at_ms}`
  }

  private async reading(at: number) {
    const v = this.s.view
    if (v.next.do !== "read" || v.next.what !== "heart_rate" || v.left_ms > 0) {
      this.poor = undefined
      return
    }
    const id = this.dueKey()
    const source = this.s.signals.source("hr")
    const resting = v.phase === "cool-down" || v.phase === "recovery"
    if (!source || this.tried.has(id) || v.left_ms < -(resting ? recoveryWithinMs : autoWithinMs)) return
    this.tried.add(id)
    const due = resting ? at : at + v.left_ms
    const w = await this.s.window(due - this.over(), due)
    if (!w.good) {
      this.poor = w
      return
    }
    await this.take(w, at, due)
  }

  // take records a reading of the sensor.
  async take(w: Sensed, at: number, due: number): Promise<boolean> {
    const source = this.s.signals.source("hr")
    const v = Math.round((w.hr ?? 0) * 10) / 10
    const event: Event = { kind: "reading", what: "heart_rate", v, slot: this.s.view.next.slot, src: source?.src ?? "strap", used: w.used, dropped: w.dropped }
    const wide = await this.s.window(due - 30_000, due)
    const ref = this.s.view.next_id
    this.locked = this.looksLocked(v, due)
    if (!(await this.s.actNow([event], at))) return false
    this.poor = undefined
    const apart = wide.good && wide.hr ? Math.abs(wide.hr - v) : 0
    this.taken = { ref, v: Math.round(v), used: w.used, dropped: w.dropped, note: apart > settledWithin ? String(Math.round(wide.hr!)) : undefined }
    return true
  }

  // An optical sensor can follow the steps instead of the heart. Equality alone rejects nothing: a count is asked.
  private looksLocked(hr: number, at: number): boolean {
    const steps = this.s.signals.mean("cadence", at - 15_000, at)
    const source = this.s.signals.source("hr")
    return source?.src === "optical" && steps !== undefined && Math.abs(steps - hr) <= lockWithin
  }

  // limit watches the mean of the protocol's window between the readings.
  private async limit(at: number) {
    const l = this.s.view.limits
    const ends = [l.end_point, l.hr_limit].filter((x) => x > 0)
    const lasts = ms(this.s.info.load.protocol.window?.lasts)
    const now = this.s.signals.now(at)
    if (!ends.length || !lasts || !now?.fresh || now.hr < Math.min(...ends)) return
    const w = await this.s.window(at - lasts, at)
    const v = Math.round((w.hr ?? 0) * 10) / 10
    if (!w.enough || v < Math.min(...ends) || v < this.windowTop + 1) return
    this.windowTop = v
    await this.s.actNow([{ kind: "window", what: "heart_rate", v, src: this.s.signals.source("hr")?.src, used: w.used, dropped: w.dropped }], at)
  }

  // cadence tells the conductor of an occasion on which it was low; what counts as one is the protocol's.
  private async cadence(at: number) {
    const low = this.s.info.load.protocol.cadence?.low, target = this.s.targetCadence()
    if (!low || !target || this.s.view.stage_ms < ms(low.for)) return
    const mean = this.s.signals.mean("cadence", at - ms(low.for), at)
    if (mean === undefined) return
    const below = mean < (target * (100 - low.by_percent)) / 100
    if (below && !this.cadenceLow) await this.s.actNow([{ kind: "window", what: "cadence", v: Math.round(mean * 10) / 10, src: "machine" }], at)
    this.cadenceLow = below
  }

  // machine takes the load from the machine's own signal, and the work it measured in the last minute.
  private async machine(at: number) {
    const v = this.s.view, signals = this.s.signals
    const power = signals.source("power")
    if (!power || power.state !== "on") return
    if (v.stage_ms > 0 && v.stage_ms % 60_000 < 1000) {
      const mean = signals.mean("power", at - 60_000, at)
      if (mean !== undefined) await this.s.actNow([{ kind: "observed", v: Math.round(mean), src: "machine" }], at)
    }
    if (v.next.do !== "set-work" || v.next.confirm || this.loadTried === v.stage) return
    const dots = signals.between("power", at - machineTakesMs, at)
    const near = (w: number) => Math.abs(w - v.next.work) <= Math.max(5, 0.05 * v.next.work)
    if (dots.length < 4 || !dots.every((d) => near(d.v)) || near(v.work)) return
    this.loadTried = v.stage
    await this.s.actNow([{ kind: "stage", code: v.next.part, v: v.next.work, src: "machine" }], at)
  }

  private async silence(at: number) {
    if (!this.s.signals.source("hr")) return
    const last = this.s.signals.last("hr")?.at_ms ?? this.s.signals.last("rr")?.at_ms
    const silent = last === undefined || at - last > silentMs
    if (silent === this.silent) return
    this.silent = silent
    await this.s.actNow([{ kind: "sensor", code: silent ? "lost" : "back" }], at)
  }

  // prompt sounds what is due, once each.
  prompt() {
    const v = this.s.view, next = v.next
    const heart = next.do === "read" && next.what === "heart_rate"
    if (heart && v.left_ms > 0) this.once("soon " + this.dueKey(), "soon")
    if (heart && v.left_ms <= 0) this.once("read " + this.dueKey(), "read")
    if (next.do === "read" && !heart) this.once("ask " + this.dueKey() + next.what, "read")
    if (["set-work", "lower-work", "end"].includes(next.do)) this.once(`load ${v.stage} ${next.do} ${next.work}`, "load")
    if (["stop", "hold-and-check", "symptom"].includes(next.do)) this.once(`look ${v.stage} ${next.rule}`, "look")
    this.prompts.beat(v.phase === "riding" && next.do !== "stop" ? this.s.targetCadence() : undefined)
  }

  called() { this.prompts.sound("look") }

  private prompted = new Set<string>()

  private once(id: string, what: "soon" | "read" | "load" | "look") {
    if (this.prompted.has(id)) return
    this.prompted.add(id)
    if (this.s.kind === "run" && this.s.mode === "pen") this.prompts.sound(what)
  }
}
