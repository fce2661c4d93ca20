// The emergency card of the running page. It is drawn from what came with the page itself, so that it is there while the
// server is away; the log and the hand-over sheet are the server's.
import { useState } from "preact/hooks"
import type { Session } from "./session"
import { T } from "./texts"
import { clock } from "./types"

export interface Alarm { since: number; toggle(): void }

// A card that was closed within this time was opened by a slip of the finger: the next one begins anew, in ms.
const slipMs = 20_000

// useAlarm opens the card at a tap. When it was opened first is kept over a reload of the page.
export function useAlarm(test: string): Alarm & { open: boolean } {
  const name = `gradus-alarm-${test}`
  const [open, set] = useState(false)
  const since = Number(sessionStorage.getItem(name)) || 0
  const toggle = () => {
    if (!open && !since) sessionStorage.setItem(name, String(Date.now()))
    if (open && Date.now() - since < slipMs) sessionStorage.removeItem(name)
    set(!open)
  }
  return { since, open, toggle }
}

export function AlarmCard({ s, alarm }: { s: Session; alarm: Alarm }) {
  const card = document.querySelector<HTMLTemplateElement>("#site-card")
  return (
    <section class="alarm-over" role="dialog" aria-labelledby="alarm">
      <h2 id="alarm" tabindex={-1}>{T.emergency} <span class="big" role="timer">{clock(Date.now() - alarm.since)}</span></h2>
      {card && <div dangerouslySetInnerHTML={{ __html: card.innerHTML }} />}
      {s.away ? <p class="caution"><b>{T.caution}.</b> {T.emergencyAway}</p> : <p class="acts"><a class="main" href={`/tests/${s.test}/emergency?since=${Math.floor(alarm.since / 1000)}`}>{T.emergencyLog}</a></p>}
      <p class="acts"><button type="button" onClick={alarm.toggle}>{T.emergencyBack}</button></p>
    </section>
  )
}
