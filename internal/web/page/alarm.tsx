// The emergency card of the running page. It is drawn from what came with the page itself, so that it is there while the
// server is away; the log and the hand-over sheet are the server's.
import { useState } from "preact/hooks"
import type { Session } from "./session"
import { T } from "./texts"
import { clock } from "./types"

export interface Alarm { since: number; wall: number; toggle(): void }

// useAlarm opens the card at a tap, and keeps when it was opened first.
export function useAlarm(): Alarm & { open: boolean } {
  const [state, set] = useState({ open: false, since: 0, wall: 0 })
  const toggle = () => set((old) => ({ open: !old.open, since: old.since || performance.now(), wall: old.wall || Math.floor(Date.now() / 1000) }))
  return { ...state, toggle }
}

export function AlarmCard({ s, alarm }: { s: Session; alarm: Alarm }) {
  const card = document.querySelector<HTMLTemplateElement>("#site-card")
  return (
    <section class="alarm-over" role="dialog" aria-labelledby="alarm">
      <h2 id="alarm" tabindex={-1} ref={(e) => e?.focus()}>{T.emergency} <span class="big" role="timer">{clock(performance.now() - alarm.since)}</span></h2>
      {card && <div dangerouslySetInnerHTML={{ __html: card.innerHTML }} />}
      {s.away ? <p class="caution"><b>{T.caution}.</b> {T.emergencyAway}</p> : <p class="acts"><a class="main" href={`/tests/${s.test}/emergency?since=${alarm.wall}`}>{T.emergencyLog}</a></p>}
      <p class="acts"><button type="button" onClick={alarm.toggle}>{T.emergencyBack}</button></p>
    </section>
  )
}
