// The result in short; the page of the test tells the rest.
import type { Session } from "./session"
import { T, withUnit } from "./texts"
import { clock } from "./types"

export function Result({ s }: { s: Session }) {
  const r = s.view.result
  return (
    <section class="result" aria-labelledby="result">
      <h2 id="result">{T.resultTitle}</h2>
      {r && <Estimate r={r} s={s} />}
      {s.view.ground && <p class="estimate">{T.ground(Math.round(s.view.ground.distance_m), 0)}{s.view.ground.rests > 0 && `, ${T.rested(s.view.ground.rests, clock(s.view.ground.rested_ms))}`}</p>}
      {r?.ended && <p>{T.ended(r.ended)}</p>}
      <p><a class="main" href={`/tests/${s.test}`}>{T.result}</a></p>
    </section>
  )
}

function Estimate({ r, s }: { r: NonNullable<Session["view"]["result"]>; s: Session }) {
  const e = r.estimate
  const has = e && e.value !== null && e.value !== undefined
  return (
    <>
      <p class="estimate">{has ? <>{T.estimate} <span>{withUnit(Number(e.value).toFixed(1), e.unit)}</span> <span>({r.low95_text}–{Number(e.high95).toFixed(1)})</span></> : `${T.noEstimate}: ${r.no_estimate}`}</p>
      {has && <p>{T.rangeSays}</p>}
      <p>{T.verdict(r.verdict)}</p>
      {r.reasons && r.reasons.length > 0 && <ul aria-label={T.reasonsOf}>{r.reasons.map((x, i) => <li key={i}>{x.text}</li>)}</ul>}
      {r.end_stage && <p>{T.endAt(r.end_hr, s.view.minutes.findLast((m) => m.stage === r.end_stage)?.load ?? "", r.end_stage)}</p>}
    </>
  )
}
