// The keypad and what else is entered by hand: readings, symptoms, notes. Everything is at most two taps away.
import { useEffect, useRef, useState } from "preact/hooks"
import type { Session } from "./session"
import { T, units, whats, withUnit } from "./texts"
import type { Event } from "./types"
import { left as timeLeft } from "./types"

export type Tab = "heart_rate" | "rpe" | "blood_pressure" | "spo2" | "cadence" | "symptom" | "note" | "distance" | "breathlessness"
const always: Tab[] = ["heart_rate", "rpe", "blood_pressure", "spo2", "cadence", "symptom", "note"]
// What only some plans read has a tab where the plan reads it.
const sometimes: Tab[] = ["distance", "breathlessness"]

function tabsOf(s: Session): Tab[] {
  const p = s.info.load.protocol
  const read = new Set([...p.readings.sets.flatMap((set) => set.read.map((r) => r.what)), ...p.parts.flatMap((x) => (x.follow ?? []).map((f) => f.what))])
  return [...always, ...sometimes.filter((t) => read.has(t))]
}
const tabName = (t: Tab) => (t === "symptom" ? T.symptom : t === "note" ? T.note : whats[t])
// A count of so many seconds makes a rate per minute.
const times: Record<string, number> = { "palpated-10s": 6, "palpated-15s": 4, "palpated-30s": 2 }

export interface Pad {
  tab: Tab
  typed: string
  counted: string
  set(part: Partial<{ tab: Tab; typed: string; counted: string }>): void
  // type changes what is typed from what it is then: two keys may come before the next drawing.
  type(change: (typed: string) => string): void
  // kept drops what was entered; the next value may be half typed by then, in this tab or another.
  kept(): void
  // leave goes back to the pulse when what a tab was opened for is kept, unless another tab was chosen meanwhile.
  leave(tab: Tab): void
}

// usePad keeps what is being entered. The tab follows what is due until another is chosen.
export function usePad(s: Session): Pad {
  const next = s.view.next
  const due = next.do === "read" || next.do === "hold-and-check" ? (next.what as Tab | undefined) : undefined
  const dueKey = `${due} ${s.view.next_at_ms}`
  const [state, set] = useState({ tab: "heart_rate" as Tab, typed: "", counted: "typed", due: "" })
  useEffect(() => {
    set((old) => {
      if (due && tabsOf(s).includes(due) && old.due !== dueKey && !old.typed && old.tab !== "note" && old.tab !== "symptom") return { ...old, tab: due, due: dueKey, counted: countAsked(s) ?? (counts(old.counted) && s.view.reading ? "typed" : old.counted) }
      // A tab that the examiner chose meanwhile stays, with the note that is being written there.
      if (!due && old.due) return { ...old, due: "", tab: old.typed || !old.due.startsWith(old.tab + " ") ? old.tab : "heart_rate" }
      return old
    })
  }, [dueKey])
  return {
    ...state,
    set: (part) => set((old) => ({ ...old, ...part })),
    type: (change) => set((old) => ({ ...old, typed: change(old.typed) })),
    kept: () => set((old) => (old.tab === state.tab && old.typed.startsWith(state.typed) ? { ...old, typed: old.typed.slice(state.typed.length) } : old)),
    leave: (tab) => set((old) => (old.tab === tab ? { ...old, tab: "heart_rate" } : old)),
  }
}

const counts = (src: string) => src in times

// countAsked is how the pulse is to be counted when the plan wants it counted; a whole minute is typed as it is.
function countAsked(s: Session): string | undefined {
  const r = s.view.reading
  if (!r?.count) return undefined
  const src = `palpated-${r.over_ms / 1000}s`
  return src in times ? src : "typed"
}

// entered is the event that what is typed makes; undefined while it is no number.
export function entered(s: Session, pad: Pad): Event | undefined {
  const next = s.view.next
  const slot = next.what === pad.tab ? next.slot : undefined
  if (pad.tab === "blood_pressure") {
    const parts = /^(\d{2,3})\/(\d{2,3})$/.exec(pad.typed)
    return parts ? { kind: "reading", what: pad.tab, v: Number(parts[1]), v2: Number(parts[2]), slot, src: "typed" } : undefined
  }
  const v = Number(pad.typed)
  if (!pad.typed || !Number.isFinite(v)) return undefined
  if (pad.tab === "heart_rate") return { kind: "reading", what: pad.tab, v: v * (times[pad.counted] ?? 1), slot, src: pad.counted }
  return { kind: "reading", what: pad.tab, v, slot, src: "typed" }
}

export async function enter(s: Session, pad: Pad) {
  const event = entered(s, pad)
  if (!event) return
  if (!(await s.act([event]))) return
  if (event.what === "heart_rate" && event.src !== "typed") s.watcher.wasCounted()
  pad.kept()
}

export function typeKey(pad: Pad, k: string) {
  pad.type((typed) => withKey(typed, k, pad.tab === "blood_pressure"))
}

function withKey(typed: string, k: string, pressure: boolean): string {
  if (k === "back") return typed.slice(0, -1)
  if (typed.length >= 7 || (k === "/" && (!pressure || !typed || typed.includes("/")))) return typed
  // A pressure needs no slash key: the fourth digit, or the third after a first of 4 to 9, begins the diastolic one.
  const cut = pressure && k !== "/" && !typed.includes("/") && (typed.length === 3 || (typed.length === 2 && typed[0] > "3"))
  return typed + (cut ? "/" : "") + k
}

export function Keypad({ s, pad }: { s: Session; pad: Pad }) {
  return (
    <section class="pad" aria-label={T.keypad}>
      <div class="tabs" role="group" aria-label={T.keypad}>
        {tabsOf(s).map((t) => (
          <button key={t} type="button" class="tab" aria-pressed={pad.tab === t} onClick={() => pad.set({ tab: t, typed: "" })}>{tabName(t)}</button>
        ))}
      </div>
      {s.error && <p class="refused" role="alert">{s.error}{s.hint && `: ${s.hint}`}.</p>}
      {pad.tab === "rpe" ? <Exertion s={s} /> : pad.tab === "symptom" ? <Symptoms s={s} pad={pad} /> : pad.tab === "note" ? <Note s={s} pad={pad} /> : <Digits s={s} pad={pad} />}
    </section>
  )
}

function Digits({ s, pad }: { s: Session; pad: Pad }) {
  const event = entered(s, pad)
  const unit = units[pad.tab]
  const factor = pad.tab === "heart_rate" ? times[pad.counted] : undefined
  const shown = pad.typed || "\u2013"
  return (
    <div class={"digits for-" + pad.tab}>
      <output class="typed" aria-live="off">
        <span class="number">{shown}</span> <span class="unit">{factor && pad.typed ? T.countTimes(Number(pad.typed), factor) : pad.tab === "blood_pressure" ? `${T.pressureHint}, ${unit}` : unit}</span>
      </output>
      <div class="keys" role="group" aria-label={T.digits}>
        {["7", "8", "9", "4", "5", "6", "1", "2", "3"].map((k) => <button key={k} type="button" class="key" onClick={() => typeKey(pad, k)}>{k}</button>)}
        <button type="button" class="key small" onClick={() => typeKey(pad, "back")}>{T.back}</button>
        <button type="button" class="key" onClick={() => typeKey(pad, "0")}>0</button>
        {pad.tab === "blood_pressure"
          ? <button type="button" class="key" onClick={() => typeKey(pad, "/")}>/</button>
          : <button type="button" class="key small" onClick={() => pad.set({ typed: "" })}>{T.clear}</button>}
      </div>
      <button type="button" class={event ? "enter ready" : "enter"} disabled={!event} onClick={() => void enter(s, pad)}>
        {event ? T.enter(withUnit(pad.tab === "blood_pressure" ? pad.typed : event.v!, unit)) : T.enterEmpty}
      </button>
      {pad.tab === "heart_rate" && <Counted pad={pad} />}
      {pad.tab === "heart_rate" && counts(pad.counted) && <CountTimer key={pad.counted} s={s} seconds={60 / times[pad.counted]} />}
      {pad.tab === "heart_rate" && <DisturbedButton s={s} />}
      {pad.tab === "blood_pressure" && <button type="button" class="quiet" onClick={() => void s.act([{ kind: "measuring", what: "blood_pressure" }])}>{T.cuffRuns}</button>}
      {pad.tab === "cadence" && <TapCadence s={s} />}
    </div>
  )
}

function Counted({ pad }: { pad: Pad }) {
  return (
    <div class="counted" role="group" aria-label={T.howCounted}>
      {Object.entries(T.counted).map(([src, name]) => (
        <button key={src} type="button" class="tab" aria-pressed={pad.counted === src} onClick={() => pad.set({ counted: src })}>{name}</button>
      ))}
    </div>
  )
}

// CountTimer times a count by hand: a tone at its beginning and at its end. It goes by the test's time while that runs.
function CountTimer({ s, seconds }: { s: Session; seconds: number }) {
  const now = () => (s.clock.running ? s.clock.now() : performance.now())
  const [from, begin] = useState<number>()
  const over = useRef(false)
  const [, draw] = useState(0)
  const left = from === undefined ? 0 : from + seconds * 1000 - now()
  useEffect(() => {
    if (from === undefined) return
    const timer = setInterval(() => {
      if (from + seconds * 1000 <= now() && !over.current) {
        over.current = true
        s.watcher.prompts.sound("count")
      }
      draw(Date.now())
    }, 50)
    return () => clearInterval(timer)
  }, [from])
  const start = () => {
    over.current = false
    s.watcher.prompts.unlock()
    s.watcher.prompts.sound("count")
    begin(now())
  }
  return (
    <button type="button" class="quiet count-timer" onClick={start}>
      {from === undefined ? T.countStart(seconds) : left > 0 ? T.counting(timeLeft(left)) : T.countOver}
    </button>
  )
}

// DisturbedButton marks the last heart rate as disturbed; the conductor asks for another.
function DisturbedButton({ s }: { s: Session }) {
  const last = s.view.minutes.filter((m) => m.hr > 0 && m.ref.term > 0).at(-1)
  if (!last || last.disturbed) return null
  return <button type="button" class="quiet" onClick={() => void s.act([{ kind: "disturbed", ref: last.ref }])}>{T.disturbed}</button>
}

function Exertion({ s }: { s: Session }) {
  const slot = s.view.next.what === "rpe" ? s.view.next.slot : undefined
  return (
    <div class="exertion">
      <p>{T.pointCard}</p>
      <div class="scale" role="group" aria-label={whats.rpe}>
        {Array.from({ length: 15 }, (_, i) => i + 6).map((v) => (
          <button key={v} type="button" class="key" onClick={() => void s.act([{ kind: "reading", what: "rpe", v, slot, src: "typed" }])}>{v}</button>
        ))}
      </div>
    </div>
  )
}

function Symptoms({ s, pad }: { s: Session; pad: Pad }) {
  return (
    <div class="symptoms">
      <p>{T.symptomPick}</p>
      {s.view.signs.map((sign) => {
        const stands = sign.ref.term > 0
        return (
          <button key={sign.id} type="button" class="sign" aria-pressed={stands} onClick={async () => {
            await s.act([stands ? { kind: "sign-gone", ref: sign.ref } : { kind: "sign", code: sign.id }])
            pad.leave("symptom")
          }}>
            {sign.text} <small>{stands ? T.symptomStands : sign.stop ? (sign.grave ? T.signGrave : T.signStop) : T.signWatch}</small>
          </button>
        )
      })}
    </div>
  )
}

function Note({ s, pad }: { s: Session; pad: Pad }) {
  const field = useRef<HTMLTextAreaElement>(null)
  useEffect(() => field.current?.focus(), [])
  const save = async () => {
    const text = field.current?.value.trim()
    if (text && (await s.act([{ kind: "note", text }]))) pad.leave("note")
  }
  return (
    <div class="note">
      <label for="note">{T.noteLabel}</label>
      <textarea id="note" ref={field} rows={4} maxLength={1000} />
      <button type="button" class="enter ready" onClick={() => void save()}>{T.save}</button>
    </div>
  )
}

// TapCadence measures the cadence from taps, one for each step, over the last ones.
function TapCadence({ s }: { s: Session }) {
  const [taps, set] = useState<number[]>([])
  const recent = taps.slice(-9)
  const rate = recent.length >= 5 ? Math.round((60_000 * (recent.length - 1)) / (recent.at(-1)! - recent[0])) : undefined
  const tap = () => {
    const now = performance.now()
    set(taps.length && now - taps.at(-1)! > 3000 ? [now] : [...taps, now])
  }
  return (
    <div class="tapping">
      <button type="button" class="key wide" onPointerDown={tap} onKeyDown={(e) => { if (!e.repeat && (e.key === "Enter" || e.key === " ")) tap() }}>{T.tapBeat}</button>
      {rate
        ? <button type="button" class="quiet" onClick={() => void s.act([{ kind: "input", code: "target_cadence_per_min", v: rate }])}>{T.tapped(rate)}</button>
        : <p>{taps.length ? T.tapMore : ""}</p>}
    </div>
  )
}
