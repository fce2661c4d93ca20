// Values that arrive from sensors, whatever they come from, with the last minutes kept for averaging and drawing.
import type { Core } from "./core"
import type { Sensed } from "./types"

export type Kind = "hr" | "rr" | "cadence" | "power" | "spo2"
// Given is what a sensor can give: a stream of values, or single measurements.
export type Given = Kind | "pressure" | "mass"
export interface Dot { at_ms: number; v: number }
// SampleBlock is a run of samples of one kind on its way to the server and from there to those who look on.
export interface SampleBlock { seq: number; from_ms: number; to_ms: number; kind: Kind; values: [number, number][] }

// SensorSource is something that gives values: a Bluetooth device, the invented participant, a replayed record.
export interface SensorSource {
  id: string
  name: string
  src: "strap" | "optical" | "machine"
  state: "connecting" | "on" | "lost"
  gives: Given[]
  battery?: number
  says?: string // what the sensor says against its own value
  close(): void
}

const keptMs = 15 * 60_000
// A sensor that floods is thinned to so many values a second of each kind, our own choice.
const perSecond = 5
// Blocks to the server hold at most ten seconds.
const blockMs = 10_000
const blocksHeld = 400
const blocksAtOnce = 8

export class Signals {
  dots: Record<Kind, Dot[]> = { hr: [], rr: [], cadence: [], power: [], spo2: [] }
  sources: SensorSource[] = []
  private unsent: Record<Kind, Dot[]> = { hr: [], rr: [], cadence: [], power: [], spo2: [] }
  private blocks: SampleBlock[] = []
  // The number of a block is never used twice, also after the page came back.
  private seq = Date.now() * 1000
  private sending = false
  malformed = 0
  running = false
  sends = true // false on a page that only looks on
  idle: number | undefined // heart rate while test time stands still

  add(kind: Kind, at_ms: number, v: number) {
    if (!Number.isFinite(at_ms) || !Number.isFinite(v) || v < 0) {
      this.malformed++
      return
    }
    if (!this.running) {
      if (kind === "hr") this.idle = v
      return
    }
    const dots = this.dots[kind]
    if (dots.length >= perSecond && kind !== "rr" && at_ms - dots[dots.length - perSecond].at_ms < 1000) return
    at_ms = Math.round(at_ms)
    // Values from several devices can arrive out of order by a little; the order by time is kept.
    let i = dots.length
    while (i > 0 && dots[i - 1].at_ms > at_ms) i--
    dots.splice(i, 0, { at_ms, v })
    if (dots[0].at_ms < at_ms - 2 * keptMs) dots.splice(0, dots.findIndex((d) => d.at_ms >= at_ms - keptMs))
    if (this.sends && kind !== "spo2") this.unsent[kind].push({ at_ms, v })
  }

  // restore brings back what the server has of the last minutes, before what has arrived meanwhile.
  async restore(test: string, now: number) {
    for (const kind of ["hr", "rr"] as Kind[]) {
      const r = await fetch(`/api/tests/${test}/samples?kind=${kind}&from=${Math.max(0, Math.floor(now - 2 * keptMs))}&to=${Math.ceil(now) + 1}`, { signal: AbortSignal.timeout(5000) })
      if (!r.ok) return
      const values: [number, number][] = (await r.json()).values
      const first = this.dots[kind][0]?.at_ms ?? Infinity
      this.dots[kind].unshift(...values.filter(([at]) => at < first).map(([at_ms, v]) => ({ at_ms, v })))
    }
  }

  last(kind: Kind): Dot | undefined { return this.dots[kind].at(-1) }

  between(kind: Kind, from: number, to: number): Dot[] {
    const dots = this.dots[kind], out: Dot[] = []
    for (let i = dots.length - 1; i >= 0 && dots[i].at_ms > from; i--) if (dots[i].at_ms <= to) out.push(dots[i])
    return out.reverse()
  }

  mean(kind: Kind, from: number, to: number): number | undefined {
    const dots = this.between(kind, from, to)
    return dots.length ? dots.reduce((sum, d) => sum + d.v, 0) / dots.length : undefined
  }

  // window averages heart beats, intervals where there are some, else rates. The beats just outside come along
  // so that those at the edges can be compared with their neighbours.
  async window(core: Core, from_ms: number, to_ms: number): Promise<Sensed> {
    const rates = this.between("rr", from_ms, to_ms).length === 0
    from_ms = Math.round(from_ms)
    to_ms = Math.round(to_ms)
    const beats = this.between(rates ? "hr" : "rr", from_ms - 5000, to_ms + 1)
    const [a] = await core.ask({ op: "window", sensor: { beats, rates, from_ms, to_ms } })
    return a.sensed ?? { used: 0, dropped: 0, good: false, enough: false, why: a.error }
  }

  // now is the heart rate of the last five seconds, and whether it is fresh.
  now(at: number): { hr: number; fresh: boolean } | undefined {
    if (!this.running) return this.idle === undefined ? undefined : { hr: this.idle, fresh: true }
    const rr = this.mean("rr", at - 5000, at)
    if (rr) return { hr: 60000 / rr, fresh: true }
    const hr = this.mean("hr", at - 5000, at)
    if (hr) return { hr, fresh: true }
    const last = this.last("hr")
    return last && { hr: last.v, fresh: false }
  }

  source(kind: Given): SensorSource | undefined {
    return this.sources.find((s) => s.gives.includes(kind) && s.state === "on") ?? this.sources.find((s) => s.gives.includes(kind))
  }

  // flush sends what has gathered, in blocks of all kinds at once; what does not arrive is tried again, the oldest
  // given up first.
  async flush(test: string) {
    for (const kind of Object.keys(this.unsent) as Kind[]) {
      const all = this.unsent[kind].sort((a, b) => a.at_ms - b.at_ms)
      this.unsent[kind] = []
      for (let i = 0; i < all.length;) {
        const from = all[i].at_ms
        let k = i
        while (k < all.length && all[k].at_ms - from < blockMs) k++
        const part = all.slice(i, k)
        this.blocks.push({ seq: ++this.seq, from_ms: Math.floor(from), to_ms: Math.ceil(part.at(-1)!.at_ms), kind,
          values: part.map((d) => [Math.round(d.at_ms), Math.round(d.v * 10) / 10]) })
        i = k
      }
    }
    if (this.blocks.length > blocksHeld) this.blocks.splice(0, this.blocks.length - blocksHeld)
    if (this.sending) return
    this.sending = true
    try {
      for (let most = blocksAtOnce; this.blocks.length;) {
        const some = this.blocks.slice(0, most)
        const r = await fetch(`/api/tests/${test}/samples`, { method: "POST", headers: { "Content-Type": "application/json" },
          body: JSON.stringify({ blocks: some }), signal: AbortSignal.timeout(5000) })
        if (r.status >= 500 || r.status === 401) break // the server cannot, or this browser has to sign in: the blocks wait
        // One that is refused must not take the others with it: it is found by sending one at a time.
        if (!r.ok && some.length > 1) most = 1
        else this.blocks = this.blocks.filter((b) => !some.includes(b))
      }
    } catch {
      // The server is away; the blocks wait.
    } finally {
      this.sending = false
    }
  }
}

// Invented is the participant of the demonstration, as a strap and a machine. Its beats come one by one.
export class Invented implements SensorSource {
  id = "invented"
  name = "invented participant"
  src = "strap" as const
  state: "on" | "lost" = "on"
  gives: Given[] = ["hr", "rr", "cadence"]
  silent = false // for trying out what happens when the strap falls silent
  private beatAt = 0

  constructor(private signals: Signals, readonly person: number) {}

  take(at: number, sample: { hr: number; rr_ms: number; cadence: number }) {
    if (this.silent) return
    const { hr, rr_ms, cadence } = sample
    this.signals.add("hr", at, hr)
    if (this.beatAt < at - 5000) this.beatAt = at - 1000
    for (; this.beatAt + rr_ms <= at; this.beatAt += rr_ms) this.signals.add("rr", this.beatAt + rr_ms, rr_ms)
    if (cadence > 0) this.signals.add("cadence", at, cadence)
  }

  close() { this.state = "lost" }
}
