// One running test on this device: its events, its clock, who holds the pen, and what is to be delivered.
//
// The conductor in the worker decides everything; this keeps its events safe, feeds it the time and the sensors,
// and goes on when the server does not answer.
import { Core, type Ask } from "./core"
import { Feed } from "./feed"
import { Invented, Signals, type SampleBlock } from "./signals"
import { SleepWatch, TestClock } from "./time"
import { T } from "./texts"
import type { Answer, Event, ID, Sensed, TestInfo, View } from "./types"
import { before, idOf, key, ms } from "./types"
import { Vault, type Kept } from "./vault"
import { Watcher } from "./watch"

export type Mode = "opening" | "pen" | "follow" | "ask-minute" | "failed"

export interface Taken { ref: ID; say: string; note?: string }
export interface Call { id: string; by: string; text: string; now_ms: number }

// How long to wait for the server when the test is kept on this device, and when it is not.
const serverTimeoutMs = 600
const awayTimeoutMs = 150 // the server did not answer before the page was loaded anew
const firstTimeoutMs = 10_000
const backoffMs = [500, 1000, 2000, 4000, 8000, 10_000]
const penWaitMs = 600
// A gap in test time longer than this is not lived through second by second.
const catchUpS = 180
// A second tap on the same thing within this time is a slip of the finger.
const sameTapMs = 700

export class Session {
  core = new Core()
  signals = new Signals()
  clock = new TestClock()
  watcher = new Watcher(this)
  invented: Invented | undefined
  info!: TestInfo
  view!: View
  mode: Mode = "opening"
  failure = ""
  error = ""
  hint = ""
  away = false // the server does not answer
  going = false // it said that it is going down
  trouble = "" // what the server answered when it could not keep an event
  unsafe = "" // this device cannot keep events
  said = "" // what became of a call
  lost = "" // what was entered here and is not in the record
  call: Call | undefined
  private lastCall = ""
  follower: boolean
  heartShown = false // on the participant's screen
  private saysShown = false // the examiner chose on this page

  private vault: Vault | undefined
  private all: Event[] = []
  private known = new Set<string>()
  private pending = new Map<string, Event>()
  private sending = false
  private retries = 0
  private second = 0
  private busy = false
  private queue: Promise<unknown> = Promise.resolve()
  private sleep = new SleepWatch()
  feed: Feed | undefined
  private releasePen: (() => void) | undefined
  private marked = 0
  private fetched = 0 // when the server last told the time
  private lastTap = { what: "", at: 0 }
  private flushed = 0

  constructor(readonly test: string, readonly kind: "run" | "observe" | "participant", private changed: () => void) {
    this.follower = kind !== "run"
    this.signals.sends = !this.follower
    this.core.onFail = (why) => this.fail(T.coreFailed, why)
  }

  private fail(what: string, why = "") {
    this.mode = "failed"
    this.failure = what
    this.hint = why
    this.changed()
  }

  async open() {
    try {
      this.vault = await Vault.open(this.test)
    } catch (e) {
      this.unsafe = T.deviceCannotKeep(String(e))
    }
    const kept = await this.vault?.kept()
    const [held, pen, mark, fetched] = await Promise.all([this.vault?.held(), this.vault?.pen(), this.vault?.mark(), this.fetchTest(!kept ? firstTimeoutMs : wasAway() ? awayTimeoutMs : serverTimeoutMs)])
    if (!fetched && !kept) return this.fail(T.cannotOpen, T.cannotOpenHint)
    this.info = fetched ?? fromKept(this.test, kept!)
    this.away = !fetched
    rememberAway(this.away)
    const acked = this.info.acked ?? {}
    const own = (held ?? []).filter((e) => (e.n ?? 0) > (acked[String(e.term)] ?? 0))
    if (fetched && held?.length) void this.vault?.release(held.filter((e) => !own.includes(e)).map(idOf))
    if (!fetched && kept) own.push(...kept.load.events.filter((e) => !own.some((o) => key(idOf(o)) === key(idOf(e)))))
    this.remember(this.info.load.events)
    this.remember(own)
    // What is held is delivered, whether or not the kept copy of the test has it too.
    for (const e of own) if (held?.some((h) => key(idOf(h)) === key(idOf(e)))) this.pending.set(key(idOf(e)), e)
    this.all.sort((a, b) => (before(idOf(a), idOf(b)) ? -1 : 1))
    this.clock.speed = this.info.speed || 1
    const [a] = await this.core.ask({ op: "load", at_ms: 0, load: { ...this.info.load, events: this.all } })
    if (!a.view) return this.fail(a.error ?? T.coreFailed, a.hint)
    this.show(a.view)
    if (this.info.simulate >= 0 && this.kind === "run") {
      this.invented = new Invented(this.signals, this.info.simulate)
      this.signals.sources.push(this.invented)
    }
    await this.start(pen, mark)
    this.openedAt = performance.now()
    this.changed()
    if (this.view.now_ms > 0) void this.signals.restore(this.test, this.clock.now()).catch(() => {})
    this.core.onBeat = () => void this.beat()
    this.core.beat(this.clock.speed > 1 ? 100 : 250)
    this.listen()
    void this.send()
  }

  private async fetchTest(timeoutMs = firstTimeoutMs): Promise<TestInfo | undefined> {
    try {
      const r = await fetch(`/api/tests/${this.test}`, { signal: AbortSignal.timeout(timeoutMs) })
      this.fetched = performance.now()
      return r.ok ? await r.json() : undefined
    } catch {
      return undefined
    }
  }

  // start takes up the pen when it is this device's, and the time.
  private async start(pen: number | undefined, mark: { at_ms: number; wall: number; last_ms: number } | undefined) {
    const begun = this.all.length > 1
    const mine = !this.follower && this.view.phase !== "closed" && (pen === this.view.term || (!begun && pen === undefined)) && (await this.lock())
    if (!mine) {
      this.mode = "follow"
      this.setTime(this.info.now_ms >= 0 ? this.info.now_ms : this.view.now_ms)
      return
    }
    await this.vault?.setPen(this.view.term)
    if (!this.runs()) {
      this.mode = "pen"
      this.setTime(this.view.now_ms)
      return
    }
    await this.anchor(this.clocks(mark), false)
  }

  // clocks says how much test time has gone by since the last event, by the best clock there is.
  private clocks(mark: { at_ms: number; wall: number; last_ms: number } | undefined) {
    const last = this.view.now_ms, c = this.info.clocks
    if (!this.away && this.info.now_ms >= last && (c.same_boot || c.has_wall)) {
      const gone = Math.round(this.info.now_ms - last + (performance.now() - this.fetched) * this.clock.speed)
      return { same_boot: c.same_boot, boot_ms: gone, has_wall: c.has_wall, wall_ms: gone }
    }
    if (!mark) return { same_boot: false, boot_ms: 0, has_wall: false, wall_ms: 0 }
    const gone = mark.at_ms + (Date.now() - mark.wall) * this.clock.speed - last
    return { same_boot: false, boot_ms: 0, has_wall: true, wall_ms: Math.round(gone) }
  }

  openedAt = 0 // when the page could be used, in ms after its navigation began
  private pendingAnchor: Ask | undefined

  private async anchor(clocks: NonNullable<Ask["clocks"]>, take_up: boolean, minute = 0) {
    const ask: Ask = { op: "anchor", clocks, take_up, minute, by: this.by() }
    const [a] = await this.core.ask(ask)
    if (a.ask) {
      this.pendingAnchor = ask
      this.mode = "ask-minute"
      if (a.view) this.show(a.view)
      this.changed()
      return
    }
    const at = ms(a.events?.find((e) => e.kind === "resumed")?.at)
    this.setTime(Math.max(at, this.view.now_ms))
    await this.commit(a)
    await this.vault?.setPen(this.view.term)
    this.mode = "pen"
    this.pace()
    this.changed()
  }

  // sayMinute answers which minute of the test it is, when no clock knows.
  sayMinute(minute: number) {
    const ask = this.pendingAnchor
    if (!ask) return
    this.pendingAnchor = undefined
    void this.one(() => this.anchor(ask.clocks!, ask.take_up ?? false, minute))
  }

  private setTime(at: number) {
    this.clock.set(at)
    this.second = Math.floor(at / 1000)
    this.pace()
  }

  private runs() { return ["riding", "stopped", "cool-down", "recovery"].includes(this.view.phase) }

  // pace lets test time stand still before the first load is set and after the test is closed.
  private pace() {
    this.clock.run(this.runs() && this.mode !== "ask-minute" && this.mode !== "failed")
    this.signals.running = this.runs()
  }

  private by() { return this.info.by || "examiner" }

  // lock keeps two tabs of one browser from both holding the pen.
  private lock(steal = false): Promise<boolean> {
    if (!navigator.locks) return Promise.resolve(true)
    return new Promise((answer) => {
      const options: LockOptions = steal ? { steal: true } : { signal: AbortSignal.timeout(penWaitMs) }
      navigator.locks.request("gradus-pen-" + this.test, options, () => {
        answer(true)
        return new Promise<void>((release) => { this.releasePen = release })
      }).catch(() => {
        answer(false)
        if (this.mode === "pen") this.losePen()
      })
    })
  }

  // shows is what the machine displays, as the test was begun: watts, levels, mets, or nothing recorded.
  shows(): string { return String(this.info.load.events.find((e) => e.begin)?.begin?.inputs.machine_shows ?? "") }

  // takePen takes the pen over knowingly; the record shows it.
  async takePen() {
    if (!(await this.lock(true))) return
    await this.one(async () => {
      if (!this.runs()) {
        this.mode = "pen"
        const [a] = await this.core.ask({ op: "act", at_ms: this.view.now_ms, events: [{ kind: "took-over" }], by: this.by() })
        await this.commit(a)
        await this.vault?.setPen(this.view.term)
        this.setTime(this.view.now_ms)
        return
      }
      const known = this.info.now_ms >= 0 || this.clock.running
      const gone = Math.max(0, Math.round(this.clock.now() - this.view.now_ms)) + (this.view.now_ms - this.lastAt())
      await this.anchor({ same_boot: known, boot_ms: gone, has_wall: false, wall_ms: 0 }, true)
    })
  }

  private lastAt() { return this.all.reduce((at, e) => Math.max(at, ms(e.at)), 0) }

  private losePen() {
    this.mode = "follow"
    this.releasePen?.()
    this.changed()
  }

  // one lets only one thing at a time speak with the conductor about this test.
  private one<R>(what: () => Promise<R>): Promise<R> {
    const next = this.queue.then(what, what)
    this.queue = next.catch(() => {})
    return next
  }

  // exclusive is for what arrives between two taps: it waits for its turn.
  exclusive<R>(what: () => Promise<R>): Promise<R> { return this.one(what) }

  // act records what the examiner did. What is refused is shown and not recorded.
  act(events: Event[]): Promise<boolean> {
    const what = JSON.stringify(events.map(({ at: _, ...e }) => e)), now = performance.now()
    if (what === this.lastTap.what && now - this.lastTap.at < sameTapMs) return Promise.resolve(false)
    this.lastTap = { what, at: now }
    return this.one(async () => {
      if (this.mode !== "pen") return false
      return this.actNow(events, this.clock.now())
    })
  }

  async actNow(events: Event[], at: number): Promise<boolean> {
    const wall = new Date().toISOString()
    const clean = events.map(({ at: _, ...e }) => ({ ...e, wall }))
    const [a] = await this.core.ask({ op: "act", at_ms: Math.round(at), events: clean, by: this.by() })
    this.error = a.error ?? ""
    this.hint = a.hint ?? ""
    await this.commit(a)
    return !a.error
  }

  private remember(events: Event[]) {
    for (const e of events) {
      if (this.known.has(key(idOf(e)))) continue
      this.known.add(key(idOf(e)))
      this.all.push(e)
    }
  }

  // commit puts new events on this device's disk, then shows them and sends them off.
  private async commit(a: Answer) {
    const events = a.events ?? []
    if (events.length) {
      this.remember(events)
      for (const e of events) this.pending.set(key(idOf(e)), e)
      try {
        await this.vault?.hold(events)
        await this.keep()
      } catch (e) {
        this.unsafe = T.deviceCannotKeep(String(e))
      }
      void this.send()
    }
    if (a.view) {
      this.show(a.view)
      this.watcher.prompt()
    }
    this.changed()
  }

  private keep() {
    const { load, speed, simulate, demo, title } = this.info
    return this.vault?.keep({ load: { ...load, events: this.all }, speed, simulate, demo, title })
  }

  private show(view: View) {
    const ran = this.view && this.runs()
    this.view = view
    if (ran !== this.runs()) this.pace()
  }

  // send delivers what is held, in order, until all is acknowledged.
  async send() {
    if (this.sending || this.follower) return
    this.sending = true
    try {
      while (this.pending.size) {
        const events = [...this.pending.values()].sort((a, b) => (before(idOf(a), idOf(b)) ? -1 : 1)).slice(0, 500)
        if (!(await this.post(events))) {
          await new Promise((go) => setTimeout(go, backoffMs[Math.min(this.retries++, backoffMs.length - 1)]))
          continue
        }
        this.retries = 0
      }
      if (this.view.phase === "closed") void this.vault?.wipe()
    } finally {
      this.sending = false
    }
  }

  private async post(events: Event[]): Promise<boolean> {
    let r: Response
    try {
      r = await fetch(`/api/tests/${this.test}/events`, {
        method: "POST", headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ now_ms: Math.max(0, Math.round(this.clock.now())), events }), signal: AbortSignal.timeout(5000),
      })
    } catch {
      this.setAway(true)
      return false
    }
    const answer = await r.json().catch(() => ({}))
    this.setAway(false)
    if (r.ok) return this.acknowledged(answer.acked ?? {})
    if (r.status === 409 && answer.want) return this.sendFrom(answer.want)
    if (r.status === 409 && answer.conflict) return this.overtaken(events, answer.conflict)
    this.trouble = [answer.error ?? T.serverRefused(r.status), answer.hint].filter(Boolean).join(". ")
    this.changed()
    return false
  }

  private async acknowledged(acked: Record<string, number>): Promise<boolean> {
    const done = [...this.pending.values()].map(idOf).filter((id) => id.n <= (acked[String(id.term)] ?? 0))
    for (const id of done) this.pending.delete(key(id))
    this.trouble = ""
    await this.vault?.release(done).catch(() => {})
    this.changed()
    return done.length > 0
  }

  // sendFrom sends again what the server lacks.
  private sendFrom(want: ID): boolean {
    const again = this.all.filter((e) => !before(idOf(e), want))
    for (const e of again) this.pending.set(key(idOf(e)), e)
    return again.some((e) => key(idOf(e)) === key(want))
  }

  // overtaken: another device wrote events with the same numbers first. Theirs are the record.
  private async overtaken(events: Event[], conflict: ID): Promise<boolean> {
    const mine = [...this.pending.values()].filter((e) => !before(idOf(e), conflict))
    this.lost = mine.filter((e) => e.kind === "reading" || e.kind === "note" || e.kind === "sign" || e.kind === "stage" || e.kind === "stopped")
      .map((e) => T.lostEvent(e)).join("; ")
    this.pending.clear()
    await this.vault?.release(events.concat(mine).map(idOf)).catch(() => {})
    this.losePen()
    await this.reload()
    return true
  }

  // reload takes the record of the server as it is.
  private async reload() {
    const info = await this.fetchTest()
    if (!info) return
    this.info = info
    this.all = []
    this.known.clear()
    this.remember(info.load.events)
    const [a] = await this.core.ask({ op: "load", at_ms: Math.max(0, info.now_ms), load: info.load })
    if (a.view) this.show(a.view)
    this.setTime(info.now_ms >= 0 ? info.now_ms : this.view.now_ms)
    this.listen()
    this.changed()
  }

  private setAway(away: boolean) {
    if (away === this.away) return
    this.away = away
    rememberAway(away)
    this.changed()
  }

  // listen hears what others write, from where the page stands.
  private listen() {
    this.feed?.close()
    this.feed = new Feed(this.test, {
      since: () => {
        const marks = new Map<number, number>()
        for (const e of this.all) marks.set(e.term ?? 0, Math.max(marks.get(e.term ?? 0) ?? 0, e.n ?? 0))
        return [...marks].sort((a, b) => a[0] - b[0]).map(([term, n]) => `${term}.${n}`).join(",")
      },
      heard: (event, data) => this.heard(event, data),
      opened: () => {
        this.going = false
        if (this.follower || this.mode === "follow") this.setAway(false)
        void this.send()
        this.changed()
      },
      away: () => { if (this.mode === "follow") this.setAway(true) },
    })
  }

  private heard(event: string, data: any) {
    switch (event) {
      case "events": return void this.one(() => this.hear(data))
      case "now": return this.hearNow(data.now_ms)
      case "samples": return this.hearSamples(data)
      case "show": return this.hearShow(data.heart)
      case "call":
        if (data.id === this.lastCall) return // it was told once more, because the stream was taken up again
        this.lastCall = data.id
        this.call = data
        this.watcher.called()
        return this.changed()
      case "going": return this.hearGoing()
    }
  }

  // hearGoing delivers what is held before the server goes down; the test goes on here.
  private hearGoing() {
    this.going = true
    void this.send()
    void this.signals.flush(this.test)
    this.changed()
  }

  private async hear(events: Event[]) {
    const news = events.filter((e) => !this.known.has(key(idOf(e))))
    const clash = events.some((e) => this.pending.has(key(idOf(e))) && !same(e, this.pending.get(key(idOf(e)))!))
    if (clash) return // the answer to our own delivery says what to do
    if (!news.length) return
    this.remember(news)
    const theirs = this.mode === "pen"
    const [a] = await this.core.ask({ op: "events", at_ms: Math.round(this.clock.now()), events: news })
    if (a.want) return void this.reload()
    if (a.view) this.show(a.view)
    if (theirs) this.losePen()
    if (!this.follower) await this.keep()?.catch(() => {})
    this.changed()
  }

  private hearNow(now: number) {
    if (now < 0 || this.mode !== "follow") return
    this.info.now_ms = now
    if (Math.abs(now - this.clock.now()) > 400 * this.clock.speed) this.clock.set(now)
    this.pace()
  }

  // hearShow: a server that was started anew has forgotten what the examiner chose, and is told again.
  private hearShow(heart: boolean) {
    if (this.saysShown && heart !== this.heartShown && this.mode === "pen") return void this.showHeart(this.heartShown)
    this.heartShown = heart
    this.changed()
  }

  // showHeart lets the participant's screen show the heart rate, or not.
  async showHeart(heart: boolean): Promise<void> {
    this.saysShown = true
    this.heartShown = heart
    this.changed()
    await fetch(`/api/tests/${this.test}/show`, { method: "POST", headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ heart }), signal: AbortSignal.timeout(3000) }).catch(() => this.setAway(true))
  }

  private hearSamples(blocks: SampleBlock[]) {
    if (this.mode !== "follow") return
    for (const block of blocks) for (const [at, v] of block.values) this.signals.add(block.kind, at, v)
    this.changed()
  }

  private async beat() {
    if (this.busy || this.mode === "opening" || this.mode === "failed") return
    this.busy = true
    try {
      await this.one(() => this.live())
    } finally {
      this.busy = false
    }
    this.changed()
  }

  private async live() {
    await this.wake()
    if (!this.clock.running) return this.idle()
    const now = Math.floor(this.clock.now() / 1000)
    if (now - this.second > catchUpS) this.second = now - 1
    if (this.mode === "follow") return this.look(now)
    while (this.second < now && this.mode === "pen" && this.clock.running) await this.liveSecond(++this.second * 1000)
    await this.remark()
    void this.flush()
  }

  // liveSecond lets one second of test time pass.
  private async liveSecond(at: number) {
    const asks: Ask[] = [{ op: "tick", at_ms: at }]
    if (this.invented) asks.unshift({ op: "simulate", at_ms: at, person: this.invented.person })
    const answers = await this.core.ask(...asks)
    if (this.invented && answers[0].sample) this.invented.take(at, answers[0].sample)
    const tick = answers.at(-1)!
    if (tick.events?.length) await this.commit(tick)
    else if (tick.view) this.show(tick.view)
    await this.watcher.second(at)
  }

  private lastLook = 0

  private async look(now: number) {
    if (this.lastLook === now) return
    this.lastLook = this.second = now
    const [a] = await this.core.ask({ op: "view", at_ms: now * 1000 })
    if (a.view) this.show(a.view)
    this.watcher.prompt()
  }

  private async idle() {
    if (this.mode !== "pen" || !this.invented || Date.now() - this.marked < 1000) return
    this.marked = Date.now()
    const [a] = await this.core.ask({ op: "simulate", at_ms: this.view.now_ms, person: this.invented.person })
    if (a.sample) this.signals.add("hr", this.view.now_ms, a.sample.hr)
  }

  // remark keeps test time beside the wall clock, for coming back while the server is away.
  private async remark() {
    if (Date.now() - this.marked < 2000) return
    this.marked = Date.now()
    await this.vault?.setMark({ at_ms: Math.round(this.clock.now()), wall: Date.now(), last_ms: this.lastAt() }).catch(() => {})
  }

  private async flush() {
    if (Date.now() - this.flushed < 1000) return
    this.flushed = Date.now()
    await this.signals.flush(this.test)
  }

  // wake puts the clock right after the machine slept: the server's clock knows, else the wall clock is believed
  // as package conduct allows.
  private async wake() {
    const ahead = this.sleep.beat()
    if (!ahead || this.mode !== "pen" || !this.clock.running) return
    const since = this.clock.now() - this.lastAt()
    const boot = await this.bootGone()
    if (boot !== undefined && Math.abs(boot) < 1500) return // the wall clock was changed, no time went by
    if (boot === undefined && ahead < 0) return
    const gone = Math.round(since + (boot ?? ahead) * this.clock.speed)
    await this.anchor({ same_boot: boot !== undefined, boot_ms: gone, has_wall: true, wall_ms: gone }, false)
  }

  private boot: { id: string; ms: number; perf: number } | undefined

  // bootGone is by how much the server's clock ran ahead of the performance clock since it was last asked.
  private async bootGone(): Promise<number | undefined> {
    const then = this.boot
    await this.askBoot()
    if (!then || !this.boot || this.boot.id !== then.id || !then.id) return undefined
    return this.boot.ms - then.ms - (this.boot.perf - then.perf)
  }

  async askBoot() {
    try {
      const r = await fetch("/api/clock", { signal: AbortSignal.timeout(1500) })
      const { boot_id, boot_ms } = await r.json()
      this.boot = { id: boot_id, ms: boot_ms, perf: performance.now() }
    } catch {
      this.boot = undefined
    }
  }

  changedNow() { this.changed() }

  // takeNow records the sensor's reading of this moment because the examiner wants it, whatever its quality.
  takeNow(): Promise<boolean> {
    return this.one(async () => {
      const v = this.view, at = this.clock.now()
      const due = v.next.do === "read" && v.left_ms > -15_000 ? at + (v.next_at_ms - at) : at
      let w = await this.window(due - 15_000, due)
      if (!w.hr) w = await this.window(at - 5000, at)
      return w.hr ? this.watcher.take(w, at, due) : false
    })
  }

  // file is the record as it stands, as a file that can be brought in later.
  file(): string { return this.all.map((e) => JSON.stringify(e)).join("\n") + "\n" }

  undelivered(): number { return this.pending.size }

  targetCadence(): number | undefined {
    let target: number | undefined
    for (const e of this.all) {
      if (e.begin) target = e.begin.inputs.target_cadence_per_min
      if (e.kind === "input" && e.code === "target_cadence_per_min") target = e.v
    }
    return target || this.info.load.protocol.cadence?.fixed || undefined
  }

  // partID is the part that runs or ran last, as the record has it.
  partID(): string { return this.all.findLast((e) => e.kind === "stage")?.code ?? "" }

  // rests reports whether the part lets the participant rest while its clock runs.
  rests(): boolean { return Boolean(this.info.load.protocol.parts.find((p) => p.id === this.partID())?.pause) }

  async callSupervisor(text: string): Promise<number> {
    try {
      const r = await fetch(`/api/tests/${this.test}/call`, { method: "POST", headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ by: this.by(), text }), signal: AbortSignal.timeout(3000) })
      return r.ok ? (await r.json()).screens ?? 0 : -1
    } catch {
      return -1
    }
  }

  window(from: number, to: number): Promise<Sensed> { return this.signals.window(this.core, from, to) }
}

// A tab remembers that the server was away, so that a reload does not wait for it again. The service worker is told too.
function rememberAway(away: boolean) {
  try { if (away) sessionStorage.setItem("gradus-away", "1"); else sessionStorage.removeItem("gradus-away") } catch { /* not kept */ }
  navigator.serviceWorker?.controller?.postMessage({ away })
}

function wasAway(): boolean {
  try { return sessionStorage.getItem("gradus-away") === "1" } catch { return false }
}

function fromKept(test: string, kept: Kept): TestInfo {
  return { ...kept, id: test, person: { id: "", code: "", label: "" }, clocks: { same_boot: false, boot_ms: 0, has_wall: false, wall_ms: 0 },
    now_ms: -1, acked: {}, notice: "", by: "" }
}

function same(a: Event, b: Event) {
  return a.kind === b.kind && a.at === b.at && a.v === b.v && a.code === b.code && a.what === b.what
}
