// The result in short; the page of the test tells the rest.
import type { Session } from "./session"
import { T, withUnit } from "./texts"

export function Result({ s }: { s: Session }) {
  const r = s.view.result
  return (
    <section class="result" aria-labelledby="result">
      <h2 id="result">{T.resultTitle}</h2>
      {r && <Estimate r={r} />}
      {r?.ended && <p>{T.ended(r.ended)}</p>}
      <p><a class="main" href={`/tests/${s.test}`}>{T.result}</a></p>
    </section>
  )
}

function Estimate({ r }: { r: NonNullable<Session["view"]["result"]> }) {
  const e = r.estimate
  const has = e && e.value !== null && e.value !== undefined
  return (
    <>
      <p class="estimate">{has ? <>{T.estimate} <span>{withUnit(Number(e.value).toFixed(1), e.unit)}</span> <span>({r.low95_text}–{Number(e.high95).toFixed(1)})</span></> : `${T.noEstimate}: ${r.no_estimate}`}</p>
      {has && <p>{T.rangeSays}</p>}
      <p>{T.verdict(r.verdict)}</p>
      {r.reasons && r.reasons.length > 0 && <ul aria-label={T.reasonsOf}>{r.reasons.map((x, i) => <li key={i}>{x.text}</li>)}</ul>}
      {r.end_work_w > 0 && <p>{T.endAt(r.end_hr, r.end_work_w, r.end_stage)}</p>}
    </>
  )
}
