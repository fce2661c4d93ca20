// The running page: one instruction, the clocks, the picture, the hand. Observers see the same without the hand.
import { render } from "preact"
import { useEffect, useRef, useState } from "preact/hooks"
import { acts, lastUndo, stage, stopEvents, type Act } from "./acts"
import { AlarmCard, useAlarm, type Alarm } from "./alarm"
import { Bluetooth } from "./bluetooth"
import { enter, Keypad, typeKey, usePad, type Pad } from "./keypad"
import { Announcer } from "./announce"
import { Look, paper, type Looking } from "./look"
import { Picture } from "./picture"
import { WakeLock } from "./prompts"
import { Result } from "./result"
import { Session } from "./session"
import { T, withUnit } from "./texts"
import type { Sensed } from "./types"
import { clock, left } from "./types"

export function mount(kind: "run" | "observe") {
  const main = document.querySelector<HTMLElement>("main[data-test]")
  if (!main) return
  main.replaceChildren()
  main.removeAttribute("aria-busy")
  const draw = () => render(<Bedside s={session} bluetooth={bluetooth} />, main)
  let frame = 0
  // Many changes in one moment are drawn once.
  const changed = () => { frame ||= requestAnimationFrame(() => { frame = 0; draw() }) }
  const session: Session = new Session(main.dataset.test!, kind, changed)
  const bluetooth = kind === "run" ? Bluetooth.open({ core: session.core, signals: session.signals, now: () => session.clock.now(), changed, measured: (m) => void session.watcher.measured(m) }) : undefined
  paper(session.watcher.prompts.settings.dark)
  draw()
  void session.open().then(() => session.askBoot())
  if ("serviceWorker" in navigator) void keepShell().catch(() => {})
  Object.assign(window, { gradus: session })
}

// keepShell lets the service worker keep this page, which was loaded before it was there.
async function keepShell() {
  await navigator.serviceWorker.register("/sw.js")
  const ready = await navigator.serviceWorker.ready
  ready.active?.postMessage({ keep: location.href })
}

const wakeLock = new WakeLock()

function Bedside({ s, bluetooth }: { s: Session; bluetooth: Bluetooth | undefined }) {
  if (s.mode === "failed") {
    return (
      <div class="failed" role="alert">
        <h1>{s.failure}</h1>
        <p>{s.hint}</p>
        <button type="button" class="main" onClick={() => location.reload()}>{T.reload}</button>
      </div>
    )
  }
  if (!s.view || s.mode === "opening") return <p class="opening">{T.opening}</p>
  return <Open s={s} bluetooth={bluetooth} />
}

function Open({ s, bluetooth }: { s: Session; bluetooth: Bluetooth | undefined }) {
  const pad = usePad(s)
  const [looking, look] = useState<Looking>()
  const [reasoned, reason] = useState("") // the stop whose reason was given or put off
  const alarm = useAlarm(s.test)
  const v = s.view
  const pen = s.mode === "pen"
  const stopKey = v.phase === "stopped" ? String(v.now_ms - v.stop_ms) : ""
  const asksReason = pen && v.phase === "stopped" && stopKey !== reasoned && v.result?.ended === OTHER_REASON
  wakeLock.want(v.phase !== "ready" && v.phase !== "closed")
  useKeys(s, pad, asksReason)
  return (
    <div class={`run phase-${v.phase} mode-${s.mode}${pen && v.next.do === "read" ? " reading-due" : ""}`}>
      <Head s={s} alarm={alarm} />
      <div class="told">
        <Notices s={s} />
        {s.mode === "ask-minute" ? <AskMinute s={s} /> : <Instruction s={s} pad={pad} />}
        {v.phase === "closed" && <Result s={s} />}
        <Clocks s={s} />
      </div>
      <section class="picture" aria-label={T.picture}>
        <Picture v={v} dots={s.signals.dots.rr.length ? rates(s) : s.signals.dots.hr} />
        <p class="legend" aria-hidden="true">{T.legend}</p>
      </section>
      <div class="hand">
        {pen && v.phase !== "closed" && (asksReason ? <StopReason s={s} done={() => reason(stopKey)} /> : <Keypad s={s} pad={pad} />)}
        {s.kind === "observe" && <Calls s={s} />}
      </div>
      <Look s={s} bluetooth={bluetooth} open={looking} set={look} />
      {alarm.open && <AlarmCard s={s} alarm={alarm} />}
      <Bar s={s} alarm={alarm} />
      <Announcer s={s} />
    </div>
  )
}

// The reason that STOP is recorded with until the examiner says more.
const OTHER_REASON = "Another reason"

// rates turns beat intervals into rates for the trace.
function rates(s: Session) { return s.signals.dots.rr.map((d) => ({ at_ms: d.at_ms, v: 60_000 / d.v })) }

function Head({ s, alarm }: { s: Session; alarm: Alarm }) {
  const v = s.view
  return (
    <header class="head">
      <h1>{T.who(s.info.person.label || s.info.person.code, s.info.title, v.stage, v.minute, v.phase !== "ready")}</h1>
      {s.info.speed > 1 && <p class="fast">{T.fast(s.info.speed)}</p>}
      {s.kind === "run" && <button type="button" class="quiet alarm-small" onClick={alarm.toggle}>{T.emergency}</button>}
    </header>
  )
}

function Notices({ s }: { s: Session }) {
  const waits = s.undelivered()
  return (
    <div class="notices" role="status">
      {s.kind === "observe" && <p>{T.observing}</p>}
      {s.kind === "run" && s.mode === "follow" && s.view.phase !== "closed" && (
        <p>{T.following} <button type="button" onClick={() => void s.takePen()}>{T.takePen}</button></p>
      )}
      {s.going && !s.away && <p class="trouble">{s.mode === "pen" ? T.goingNow : T.goingWatching}</p>}
      {s.away && <p class="trouble">{s.mode === "pen" ? T.awayNow : T.awayWatching}{waits > 0 && ` ${T.waiting(waits)}`}</p>}
      {s.trouble && <p class="trouble">{s.trouble} {T.troubleHint}</p>}
      {s.said && <p>{s.said} <button type="button" class="quiet" onClick={() => { s.said = ""; s.changedNow() }}>{T.seen}</button></p>}
      {s.unsafe && <p class="trouble">{s.unsafe}</p>}
      {s.lost && <p class="trouble">{T.lostEntries(s.lost)} <button type="button" class="quiet" onClick={() => { s.lost = ""; s.changedNow() }}>{T.seen}</button></p>}
    </div>
  )
}

function AskMinute({ s }: { s: Session }) {
  const [minute, set] = useState(String(s.view.minute))
  return (
    <section class="say">
      <p class="instruction">{T.askMinute}</p>
      <p class="acts">
        <label>{T.askMinuteLabel} <input type="text" inputMode="numeric" size={4} value={minute} onInput={(e) => set(e.currentTarget.value)} /></label>
        <button type="button" class="main" disabled={!/^\d{1,3}$/.test(minute)} onClick={() => s.sayMinute(Number(minute))}>{T.goOn}</button>
      </p>
    </section>
  )
}

function Instruction({ s, pad }: { s: Session; pad: Pad }) {
  const v = s.view, next = v.next
  const pen = s.mode === "pen"
  const picks = pen && (next.do === "begin" || next.do === "set-work") && !next.confirm && v.asked?.pick
  const [main, ...others] = pen ? acts(v, s.info.load.protocol) : []
  const script = pen && s.watcher.prompts.settings.script ? saying(s) : ""
  const long = next.say.length > 34
  return (
    <section class="say">
      <p class={long ? "instruction long" : "instruction"} id="instruction">{next.say}</p>
      {next.why && <p class="why">{next.why}</p>}
      {next.confirm && <p class="caution"><b>{T.caution}.</b> {next.confirm}</p>}
      {pen && (
        <div class="acts">
          <TakeButton s={s} />
          <OfferButton s={s} />
          {picks ? <PickLoad key={next.part} s={s} /> : main && <ActButton s={s} act={main} main={main.kind !== "quiet"} />}
          {others.map((a) => <ActButton key={a.say.replace(/\d+:\d\d/, "")} s={s} act={a} main={false} />)}
        </div>
      )}
      <Taken s={s} />
      {next.warnings?.map((w) => <p key={w.rule + w.say.replace(/\d+:\d\d/, "")} class="caution"><b>{T.caution}.</b> {w.say}</p>)}
      {pen && s.watcher.locked > 0 && (
        <p class="caution lock"><b>{T.caution}.</b> {T.cadenceLock(s.watcher.locked)} <button type="button" class="quiet" onClick={() => pad.set({ tab: "heart_rate", typed: "", counted: "palpated-15s" })}>{T.countNow}</button></p>
      )}
      {pen && v.phase === "riding" && !s.signals.sources.some((x) => x.gives.includes("hr")) && v.stage_ms > 50_000 && v.stage_ms < 75_000 && <p class="caution"><b>{T.caution}.</b> {T.lookNow}</p>}
      {script && <p class="script"><b>{T.script}:</b> “{script}”</p>}
      <details class="rule"><summary>{T.whyLabel}</summary><p>{T.whyRule(next.rule, next.source)} {T.leads(next.leads)}</p></details>
    </section>
  )
}

// PickLoad lets the examiner choose the load that the plan leaves open.
function PickLoad({ s }: { s: Session }) {
  const v = s.view, pick = v.asked!.pick!
  const [value, set] = useState(v.asked!.v)
  const to = (x: number) => set(Math.min(pick.to, Math.max(pick.from, Math.round((pick.from + Math.round((x - pick.from) / pick.step) * pick.step) * 1000) / 1000)))
  const text = withUnit(value, v.asked!.unit) + (v.asked!.second ? `, ${withUnit(v.asked!.second, "%")}` : "")
  return (
    <div class="pick" role="group" aria-label={T.pick(v.asked!.unit)}>
      <button type="button" class="quiet" disabled={value <= pick.from} onClick={() => to(value - pick.step)}>{T.less}</button>
      <button type="button" class="quiet" disabled={value >= pick.to} onClick={() => to(value + pick.step)}>{T.more}</button>
      <button type="button" class="main" onClick={() => { s.watcher.prompts.unlock(); void s.act([stage(v, value)]) }}>{v.next.do === "begin" ? T.begin(text) : T.isSet(text)}</button>
    </div>
  )
}

function ActButton({ s, act, main }: { s: Session; act: Act; main: boolean }) {
  const asks = main && (act.events[0]?.kind === "stage" || act.events[0]?.kind === "work") ? s.shows() : ""
  if (asks === "levels" || asks === "mets" || asks === "levels-only") return <LevelButton key={act.events[0].code} s={s} act={act} shows={asks === "levels" ? "levels" : "mets"} />
  return (
    <button type="button" class={main ? "main" : "quiet"} onClick={() => { s.watcher.prompts.unlock(); void s.act(act.events) }}>{act.say}</button>
  )
}

// LevelButton records a load with the level that the machine shows beside it, or in its place.
function LevelButton({ s, act, shows }: { s: Session; act: Act; shows: "levels" | "mets" }) {
  const [typed, set] = useState("")
  const level = Number(typed.replace(",", "."))
  const good = typed !== "" && level > 0 && level <= 1000
  const events = act.events.map((e, i) => (i === 0 && good ? { ...e, level } : e))
  return (
    <>
      <label class="level">{T.level} <input type="text" inputMode="decimal" size={4} value={typed} onInput={(e) => set(e.currentTarget.value)} /></label>
      <button type="button" class="main" disabled={typed !== "" && !good} onClick={() => { s.watcher.prompts.unlock(); void s.act(events) }}>{shows === "mets" ? T.levelSet(good ? level : 0) : act.say}</button>
    </>
  )
}

// TakeButton offers the sensor's heart rate when a reading is due and was not taken by itself.
function TakeButton({ s }: { s: Session }) {
  const v = s.view
  const now = s.signals.now(s.clock.now())
  if (!now?.fresh || !s.signals.source("hr")) return null
  const due = (v.next.do === "read" || v.next.do === "hold-and-check") && v.next.what === "heart_rate"
  if (!due || (v.left_ms > 0 && v.next.do === "read")) return null
  const hr = Math.round(now.hr)
  return (
    <button type="button" class="main" onClick={() => void s.takeNow()}>{s.watcher.poor ? T.takePoor(hr, s.watcher.poor.why ?? T.quality.poor) : T.take(hr)}</button>
  )
}

// OfferButton offers what a cuff or an oximeter sent and does not stand behind, or may have measured before.
function OfferButton({ s }: { s: Session }) {
  const m = s.watcher.offer
  if (!m) return null
  return <button type="button" class="quiet" onClick={() => void s.exclusive(() => s.watcher.takeSingle(m, s.clock.now()))}>{T.takeOffer(m)}</button>
}

function Taken({ s }: { s: Session }) {
  const t = s.watcher.taken
  const line = t && s.view.log.find((l) => l.id.term === t.ref.term && l.id.n === t.ref.n)
  if (!t || !line || !line.undo || s.mode !== "pen" || s.view.now_ms - line.at_ms > 40_000) return null
  return (
    <p class="taken-note">
      {t.say} {t.note && T.meanApart(t.note)}
    </p>
  )
}

// saying is what the protocol's script has for this moment.
function saying(s: Session): string {
  const v = s.view, say = s.info.load.protocol.say ?? []
  if (v.next.cue) return v.next.cue
  const when = v.phase === "ready" ? "before" : v.next.do === "end" && v.phase !== "stopped" ? "end" : v.phase === "riding" && v.stage_ms < 20_000 ? "each-part" : ""
  const part = s.info.load.protocol.parts.findLast((p) => v.stairs.some((k) => !k.planned) && p.id === s.partID())
  const own = part && when === "each-part" ? say.find((x) => x.when === part.id) : undefined
  return (own ?? say.find((x) => x.when === when))?.text ?? ""
}

function Clocks({ s }: { s: Session }) {
  const v = s.view
  const now = s.clock.now()
  const due = v.next_at_ms > 0 && v.next.next ? v.next_at_ms - now : undefined
  const late = due !== undefined && due < 0
  const end = v.limits.end_beat
  return (
    <section class="clocks">
      <div class="clock count">
        <span class="big" role="timer" aria-label={T.untilNext}>{due === undefined || v.phase === "closed" ? "\u2013" : late ? clock(-due) : left(due)}</span>
        <span class="label">{due === undefined ? "" : late ? `${T.overdue}: ${v.next.next}` : v.next.next}</span>
      </div>
      <div class="clock test">
        <span class="big" role="timer" aria-label={T.testClock}>{clock(now)}</span>
        <span class="label">{T.testClock}</span>
        {v.phase === "riding" && <span class="sub">{v.stage} {clock(Math.max(0, now - v.now_ms + v.stage_ms))} {T.ofLength(clock(v.length_ms))}</span>}
        {v.stop_ms > 0 && v.phase !== "closed" && <span class="sub">{T.stopClock} {clock(v.stop_ms)}</span>}
      </div>
      <HeartNow s={s} />
      {v.phase === "riding" && <GroundNow s={s} />}
      {v.phase === "riding" && v.beep && <Beeper s={s} />}
      <div class="ends">{end ? T.endsAt(end) : T.noEnd}</div>
    </section>
  )
}

// GroundNow is the distance, counted by taps, and the rests.
function GroundNow({ s }: { s: Session }) {
  const g = s.view.ground
  if (!g) return null
  return (
    <div class="clock ground">
      <span class="big small">{T.ground(Math.round(g.distance_m), g.laps)}</span>
      <span class="label">{g.left_m > 0 ? T.groundLeft(g.left_m) : T.distance}{g.rests > 0 && `, ${T.rested(g.rests, clock(g.rested_ms))}`}</span>
      {s.mode === "pen" && g.course_m > 0 && !s.view.beep && s.view.next.do !== "break" && (
        <button type="button" class="lap" onClick={() => void s.act([{ kind: "reading", what: "distance", v: g.course_m, src: "typed" }])}>{T.lap(g.course_m)}</button>
      )}
    </div>
  )
}

// Beeper shows each beep that the page plays.
function Beeper({ s }: { s: Session }) {
  const b = s.view.beep!, p = s.watcher.prompts
  return (
    <div class="clock beeper">
      <span class={p.lit ? "lamp lit" : "lamp"} aria-hidden="true" />
      <span class="label">{b.every_ms > 5000 ? T.beeps(b.done, b.left) : b.level}</span>
    </div>
  )
}

function HeartNow({ s }: { s: Session }) {
  const at = s.clock.now()
  const now = s.signals.now(at)
  const source = s.signals.source("hr")
  const name = source ? T.srcName[source.id] ?? T.srcName[source.src] : ""
  const last = s.signals.last("hr")
  const silentFor = last && s.clock.running ? Math.round((at - last.at_ms) / 1000) : 0
  const spo2 = s.signals.last("spo2")
  const state = !source && s.mode === "pen" ? T.noSensor : !now?.fresh && silentFor > 5 ? T.silent(silentFor) : name
  return (
    <div class="clock heart">
      <span class="big">{now ? Math.round(now.hr) : s.view.last_hr || "\u2013"}<small> /min</small></span>
      <span class="label">{T.heartNow}</span>
      <span class={now?.fresh ? "sub" : "sub silent"}>{state}{s.watcher.poor ? `, ${T.quality.poor}: ${(s.watcher.poor as Sensed).why}` : ""}</span>
      {spo2 && at - spo2.at_ms < 15_000 && <span class="sub">{T.spo2Now(Math.round(spo2.v))}</span>}
    </div>
  )
}

function StopReason({ s, done }: { s: Session; done(): void }) {
  const give = async (code: string) => { if (await s.act([{ kind: "stopped", code }])) done() }
  return (
    <section class="reasons" aria-labelledby="reasons">
      <h2 id="reasons">{T.whyStopped}</h2>
      <div class="others" role="group" aria-label={T.otherReasons}>
        {T.reasons.map(([code, text]) => <button key={code} type="button" onClick={() => (code === "other" ? done() : void give(code))}>{text}</button>)}
      </div>
      <div class="symptoms" role="group" aria-label={T.reasonsTitle}>
        {s.view.signs.map((x) => <button key={x.id} type="button" class="sign" onClick={() => void give(x.id)}>{x.text}</button>)}
      </div>
      <button type="button" class="quiet" onClick={done}>{T.reasonLater}</button>
    </section>
  )
}

function Calls({ s }: { s: Session }) {
  if (!s.call) return null
  return (
    <p class="call" role="alert">{T.callShown(s.call.by)} {s.call.text} <button type="button" onClick={() => { s.call = undefined; s.changedNow() }}>{T.seen}</button></p>
  )
}

// Bar is the bottom edge: what can be taken back, a break, and STOP, always at the same place.
function Bar({ s, alarm }: { s: Session; alarm: Alarm }) {
  const v = s.view
  const call = async () => { s.said = T.called(await s.callSupervisor("")); s.changedNow() }
  const undo = lastUndo(s)
  const stop = stopEvents(v), lostTime = s.mode === "ask-minute"
  const press = () => {
    s.watcher.prompts.unlock()
    if (lostTime) s.sayMinute(v.minute) // STOP does not wait for the answer: the minute that is known serves
    if (stop) void s.act(stop)
  }
  const emergency = <button type="button" class="quiet alarm-wide" onClick={alarm.toggle}>{T.emergency}</button>
  if (s.kind === "observe") return null
  if (s.mode !== "pen" && !lostTime) return <footer class="bar"><div class="quiets">{emergency}</div></footer>
  return (
    <footer class="bar">
      <div class="quiets">
        {!lostTime && undo && <button type="button" class="quiet undo" onClick={() => void s.act([{ kind: "withdraw", ref: undo.id }])}>{T.undoLast(undo.say)}</button>}
        {!lostTime && v.phase === "riding" && v.next.do !== "break" && <button type="button" class="quiet break" onClick={() => void s.act([{ kind: "break" }])}>{s.rests() ? T.restBegin : T.breakBegin}</button>}
        {!lostTime && v.phase === "riding" && v.next.do === "break" && <button type="button" class="quiet" onClick={() => void s.act([{ kind: "break-over" }])}>{T.breakOver}</button>}
        <button type="button" class="quiet" aria-label={T.callSupervisor} onClick={() => void call()}>{T.call}</button>
        {emergency}
      </div>
      <button type="button" class="stop" disabled={!stop} onClick={press}>{stop ? T.stop : T.stopped}</button>
    </footer>
  )
}

// useKeys lets the digits type a reading from anywhere, Enter do what is due, S stop. It can be turned off.
function useKeys(s: Session, current: Pad, asks: boolean) {
  // Keys may come faster than effects are renewed: what they meet is what was drawn last.
  const drawn = useRef({ pad: current, asksReason: asks })
  drawn.current = { pad: current, asksReason: asks }
  useEffect(() => {
    const press = (e: KeyboardEvent) => {
      const { pad, asksReason } = drawn.current
      if (!s.watcher.prompts.settings.keys || e.ctrlKey || e.metaKey || e.altKey) return
      const target = e.target as HTMLElement
      if (target.closest("input, textarea, select, [contenteditable]")) return
      // wherever STOP is drawn its key works
      if ((e.key === "s" || e.key === "S") && !e.repeat) return document.querySelector<HTMLButtonElement>(".bar .stop")?.click()
      if (s.mode !== "pen") return
      if (/^[0-9/]$/.test(e.key) && !asksReason) {
        e.preventDefault()
        return typeKey(pad, e.key)
      }
      if (e.key === "Backspace" && pad.typed) return typeKey(pad, "back")
      if (e.key === "Escape" && pad.typed) return pad.set({ typed: "" })
      const onControl = target.closest("button, a, summary")
      if (e.key === "Enter" && pad.typed) {
        e.preventDefault()
        return void enter(s, pad)
      }
      if (e.key === "Enter" && !onControl) {
        const button = document.querySelector<HTMLButtonElement>(".acts .main")
        if (button) { e.preventDefault(); button.click() }
        return
      }
    }
    addEventListener("keydown", press)
    return () => removeEventListener("keydown", press)
  }, [])
}
