// The participant's screen: footsteps that fill with the stage and move to the beat, and one calm sentence.
import { render } from "preact"
import { paper } from "./look"
import { Session } from "./session"
import { T, withUnit } from "./texts"
import { left } from "./types"

const main = document.querySelector<HTMLElement>("main[data-test]")
if (main) {
  main.replaceChildren()
  main.removeAttribute("aria-busy")
  let frame = 0
  const draw = () => render(<Screen s={session} />, main)
  const session: Session = new Session(main.dataset.test!, "participant", () => { frame ||= requestAnimationFrame(() => { frame = 0; draw() }) })
  paper(session.watcher.prompts.settings.dark)
  draw()
  void session.open()
  Object.assign(window, { gradus: session })
}

const steps = 12

function sentence(s: Session, leftMs: number): string {
  const v = s.view
  if (v.next.do === "break") return T.pBreak
  switch (v.phase) {
    case "riding":
      if (v.next.do === "stop") return T.pStop
      if (v.next.do === "read" && v.next.what === "rpe") return T.pCard
      if (v.next.cue) return v.next.cue
      return v.form === "own-pace" ? T.pGo(Math.round(leftMs / 60_000)) : T.keepRhythm(Math.round(leftMs / 60_000))
    case "stopped": return T.pStop
    case "cool-down": return T.pCool
    case "recovery": return T.pRest
    case "closed": return T.pDone
  }
  return T.pReady
}

function Screen({ s }: { s: Session }) {
  if (s.mode === "failed") return <p class="sentence">{s.failure}</p>
  if (!s.view || s.mode === "opening") return <p class="sentence">{T.opening}</p>
  const v = s.view, riding = v.phase === "riding"
  const gone = Math.max(0, s.clock.now() - v.now_ms + v.stage_ms)
  const leftMs = Math.max(0, v.length_ms - gone)
  const done = riding && v.length_ms > 0 ? Math.min(steps, Math.floor((steps * gone) / v.length_ms)) : 0
  const cadence = s.targetCadence() ?? s.signals.last("cadence")?.v ?? 0
  const beat = riding && cadence > 0 ? Math.floor((s.clock.now() / 60_000) * cadence) : -1
  const now = s.signals.now(s.clock.now())
  return (
    <div class="participant">
      <p class="sentence">{sentence(s, leftMs)}</p>
      {riding && <Footsteps done={done} beat={beat} />}
      {riding && <p class="left"><span class="big" role="timer">{left(leftMs)}</span> <span>{T.leftInStage}</span></p>}
      {s.heartShown && <p class="left">{now ? withUnit(Math.round(now.hr), "/min") : "\u2013"}</p>}
    </div>
  )
}

function Footsteps({ done, beat }: { done: number; beat: number }) {
  return (
    <svg class="footsteps" viewBox={`0 0 ${steps * 50} 110`} role="img" aria-label={T.footsteps(done, steps)}>
      {Array.from({ length: steps }, (_, i) => {
        const kind = i < done ? "step done" : i === done ? `step here ${beat % 2 ? "down" : "up"}` : "step"
        return (
          <g key={i} class={kind} transform={`translate(${i * 50 + 25} ${i % 2 ? 76 : 34})`}>
            <ellipse cx="4" cy="0" rx="15" ry="9" />
            <ellipse cx="-15" cy="0" rx="6" ry="7" />
          </g>
        )
      })}
    </svg>
  )
}
