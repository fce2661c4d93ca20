// What a screen reader is told: stage changes and 60, 30 and 10 s before an act politely, stop signs at once. The
// clocks themselves are never read out each second.
import { useRef } from "preact/hooks"
import type { Session } from "./session"
import { T } from "./texts"

const moments = [60, 30, 10]
const urgent = ["stop", "hold-and-check", "symptom"]

export function Announcer({ s }: { s: Session }) {
  const said = useRef({ text: "", stage: "", due: 0, passed: 0, silent: false })
  const v = s.view, m = said.current
  if (v.stage && v.phase === "riding" && `${v.stage} ${v.load}` !== m.stage) {
    m.stage = `${v.stage} ${v.load}`
    m.text = T.spokenStage(v.stage, v.load)
  }
  if (v.next_at_ms !== m.due) { m.due = v.next_at_ms; m.passed = Infinity }
  const left = v.next_at_ms > 0 && v.next.next ? (v.next_at_ms - s.clock.now()) / 1000 : -1
  for (const at of moments) {
    if (left > 0 && left <= at && left > at - 3 && m.passed > at) {
      m.passed = at
      m.text = T.secondsLeft(at, v.next.next ?? "")
    }
  }
  const silent = s.signals.sources.some((x) => x.gives.includes("hr") && x.state === "lost")
  if (silent !== m.silent) { m.silent = silent; m.text = silent ? T.sensorLost : T.sensorBack }
  return (
    <>
      <div class="unseen polite" aria-live="polite">{m.text}</div>
      <div class="unseen" role="alert">{urgent.includes(v.next.do) ? v.next.say.replace(/:? ?\d+:\d\d left/, "") : ""}</div>
    </>
  )
}
