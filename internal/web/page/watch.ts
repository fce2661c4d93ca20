// What is watched each second of test time: readings that sensors give by themselves, limits between readings,
// loads that the machine reports, silent sensors, and the prompts. What follows from a value is the conductor's.
import { Prompts } from "./prompts"
import type { Measured } from "./bluetooth"
import type { Session, Taken } from "./session"
import { T } from "./texts"
import type { Event, Sensed } from "./types"
import { ms } from "./types"

// Our own choices, in ms of test time and beats.
const autoWithinMs = 3000 // a reading is taken by itself only so shortly after its moment,
const recoveryWithinMs = 30_000 // in recovery, where it may come while the participant sits down, a little later
const silentMs = 10_000
const settledWithin = 3 // the mean of 30 s beside that of the window
const offerMs = 60_000 // a single value that was not taken by itself is offered so long
const saturationMs = 10_000 // oxygen saturation is the mean of so long,
const saturationLeast = 4 // of at least so many values
const countMs = 30_000 // after a count the hint of a cadence lock rests so long
const machineTakesMs = 5000

export class Watcher {
  prompts = new Prompts()
  taken: Taken | undefined // the last reading taken by itself
  poor: Sensed | undefined // the window of the reading that is due, when it is not good enough
  locked = 0 // the heart rate has been this often the step rate for a while; 0: no hint
  offer: (Measured & { at: number }) | undefined // a single value that is not fit to be taken without a hand
  private counted = -Infinity
  private lowest = Infinity
  private tried = new Set<string>()
  private windowTop = 0
  private cadenceLow = false
  private silent = false
  private loadTried = ""

  constructor(private s: Session) {}

  async second(at: number) {
    this.prompt()
    await this.reading(at)
    await this.saturation(at)
    if (this.offer && at - this.offer.at > offerMs) this.offer = undefined
    if (this.s.view.phase !== "riding") return
    await this.lock(at)
    await this.limit(at)
    await this.cadence(at)
    await this.steps(at)
    await this.machine(at)
    await this.silence(at)
  }

  // over is the length of the window of a heart-rate reading.
  private over(): number {
    if (this.s.view.reading) return this.s.view.reading.over_ms
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
    if (!(await this.s.actNow([event], at))) return false
    this.poor = undefined
    const apart = wide.good && wide.hr ? Math.abs(wide.hr - v) : 0
    this.taken = { ref, say: T.takenNote(Math.round(v), w.used, w.dropped), note: apart > settledWithin ? String(Math.round(wide.hr!)) : undefined }
    return true
  }

  // lock lets the core watch whether an optical sensor follows the steps instead of the heart. Equality alone rejects
  // nothing: a count is asked for.
  private async lock(at: number) {
    const signals = this.s.signals, source = signals.source("hr")
    const hr = signals.now(at), steps = signals.mean("cadence", at - 3000, at)
    if (!source || source.src === "strap" || !hr?.fresh || !steps) {
      this.locked = 0
      return
    }
    const [a] = await this.s.core.ask({ op: "lock", at_ms: at, sensor: { rate: hr.hr, cadence: steps } })
    this.locked = at - this.counted < countMs ? 0 : (a.sensed?.factor ?? 0)
  }

  // wasCounted lets the hint of a cadence lock rest.
  wasCounted() {
    this.counted = this.s.clock.now()
    this.locked = 0
  }

  // saturation takes the oximeter's mean when one is due, at the end of a stage, and when a limit or a sign
  // has something to say to it.
  private async saturation(at: number) {
    const v = this.s.view, source = this.s.signals.source("spo2")
    if (!source || source.state !== "on") return
    const dots = this.s.signals.between("spo2", at - saturationMs, at)
    if (dots.length < saturationLeast) return
    const mean = Math.round(dots.reduce((sum, d) => sum + d.v, 0) / dots.length)
    const due = v.next.do === "read" && v.next.what === "spo2" && v.left_ms <= 0
    const low = v.phase === "riding" && mean <= v.limits.spo2_watch && mean < this.lowest
    const id = due ? "spo2 " + this.dueKey() : `spo2 ${v.stage} ${v.length_ms}`
    if (low) this.lowest = mean
    else if (!this.atEnd(due, id)) return
    this.tried.add(id)
    await this.takeSingle({ what: "spo2", v: mean, good: true, stored: false }, at)
  }

  // atEnd reports, once for each id, that a value is due or that the stage is at the end of its present length.
  private atEnd(due: boolean, id: string): boolean {
    const v = this.s.view
    return !this.tried.has(id) && (due || (v.phase === "riding" && v.length_ms > 0 && v.length_ms - v.stage_ms < 1500))
  }

  // measured takes a single value of a device by itself when it is good, and offers it otherwise.
  measured(m: Measured): Promise<unknown> | undefined {
    const v = this.s.view
    if (this.s.mode !== "pen" || v.phase === "closed" || m.what === "mass") return undefined
    return this.s.exclusive(async () => {
      const at = this.s.clock.now()
      if (m.what === "cuff") return this.cuff(at)
      if (m.good && !m.stored) return this.takeSingle(m, at)
      this.offer = { ...m, at }
    })
  }

  private cuffAt = -Infinity

  private async cuff(at: number) {
    if (at - this.cuffAt > 60_000) await this.s.actNow([{ kind: "measuring", what: "blood_pressure" }], at)
    this.cuffAt = at
  }

  async takeSingle(m: Measured, at: number) {
    const next = this.s.view.next, ref = this.s.view.next_id
    const slot = next.do === "read" && next.what === m.what ? next.slot : undefined
    this.offer = undefined
    if (!(await this.s.actNow([{ kind: "reading", what: m.what, v: m.v, v2: m.v2, slot, src: "device" }], at))) return
    this.taken = { ref, say: T.takenDevice(m) }
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

  // steps writes the machine's mean cadence of the last minute down at the end of a stage.
  private async steps(at: number) {
    const v = this.s.view, source = this.s.signals.source("cadence")
    const id = `cadence ${v.stage} ${v.length_ms}`
    if (source?.src !== "machine" || source.state !== "on" || !this.atEnd(false, id)) return
    this.tried.add(id)
    const mean = this.s.signals.mean("cadence", at - 60_000, at)
    if (mean) await this.s.actNow([{ kind: "reading", what: "cadence", v: Math.round(mean), src: "machine" }], at)
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
    this.say()
    if (this.s.clock.running) this.prompts.beeps(v.phase === "riding" && next.do !== "stop" ? v.beep : null, this.s.clock.now(), this.s.clock.speed, () => this.s.changedNow())
    this.prompts.beat(v.beep ? undefined : v.phase === "riding" && next.do !== "stop" ? this.s.targetCadence() : undefined)
  }

  private cue = ""

  // say speaks what the plan says to the participant at this moment, once, unless it holds a word that prompts never say.
  private say() {
    const cue = this.s.view.next.cue ?? ""
    if (cue && cue !== this.cue && this.s.kind === "run" && this.s.mode === "pen" && this.prompts.settings.speech && !/heart|pulse|limit|stop/i.test(cue)) this.prompts.say(cue)
    this.cue = cue
  }

  called() { this.prompts.sound("look") }

  private prompted = new Set<string>()

  private once(id: string, what: "soon" | "read" | "load" | "look") {
    if (this.prompted.has(id)) return
    this.prompted.add(id)
    if (this.s.kind === "run" && this.s.mode === "pen") this.prompts.sound(what)
  }
}
