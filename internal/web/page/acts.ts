// What the examiner can do at a moment, as buttons with the events that record it. The instruction says what is
// due; this only puts it on a button.
import type { Session } from "./session"
import { T } from "./texts"
import type { Event, Protocol, View } from "./types"
import { key } from "./types"

export interface Act { say: string; events: Event[]; kind?: "main" | "quiet" }

const noRef = (ref: { term: number; n: number }) => ref.term === 0

// acts lists the buttons for the instruction of the moment; the first is what is due.
export function acts(v: View, s: Protocol): Act[] {
  const next = v.next
  const choices = (next.choices ?? []).map((c) => ({ say: c.say, events: c.events }))
  const main = mainActs(v, s)
  return [...main, ...choices.filter((c) => !main.some((m) => sameEvents(m.events, c.events)))]
}

function sameEvents(a: Event[], b: Event[]) {
  return a.length === b.length && a.every((e, i) => e.kind === b[i].kind && e.code === b[i].code && e.v === b[i].v)
}

// stage records the load that is asked for, its grade or height beside it.
export function stage(v: View, value = v.next.work): Event {
  return { kind: "stage", code: v.next.part, v: value, v2: v.asked?.second || undefined }
}

function mainActs(v: View, s: Protocol): Act[] {
  const next = v.next
  switch (next.do) {
    case "begin":
      return [{ say: T.begin(v.asked?.text ?? ""), events: [stage(v)] }]
    case "set-work":
      if (next.confirm) return [{ say: T.confirmStep(v.asked?.text ?? ""), events: [{ kind: "confirmed" }] }]
      return [{ say: v.asked?.text ? T.isSet(v.asked.text) : T.begin(""), events: [stage(v)] }]
    case "lower-work":
      if (next.choices?.length) return []
      return [{ say: T.lowered(T.watts(next.work)), events: [{ kind: "work", v: next.work }] }]
    case "end":
      if (!s.cool_down) return [{ say: T.seated, events: [{ kind: "recovery" }] }]
      return [
        { say: T.coolDown(v.cool_down), events: [{ kind: "cool-down", v: next.work }] },
        { say: T.seated, events: [{ kind: "recovery" }], kind: "quiet" },
      ]
    case "stop": {
      const seated: Act = { say: T.seated, events: [{ kind: "recovery" }] }
      // Slowing down is offered only where every sign that stands allows it.
      const stands = v.signs.filter((x) => !noRef(x.ref) && x.stop)
      if (v.phase !== "riding" || !s.cool_down || !stands.length || stands.some((x) => x.after !== "active")) return [seated]
      return [{ say: T.coolDown(v.cool_down), events: [{ kind: "cool-down", v: v.cool_down_w }] }, { ...seated, kind: "quiet" }]
    }
    case "cool-down":
      return [{ say: T.seatedNow, events: [{ kind: "recovery" }], kind: "quiet" }]
    case "recover":
      return v.phase === "cool-down" ? [{ say: T.seatedEnd, events: [{ kind: "recovery" }] }] : [close(v)]
    case "break":
      return [{ say: T.breakOver, events: [{ kind: "break-over" }] }]
    case "symptom":
      return [
        ...(v.phase === "cool-down" ? [{ say: T.seatedEnd, events: [{ kind: "recovery" }] }] : []),
        ...v.signs.filter((s) => !noRef(s.ref)).map((s) => ({ say: `${T.symptomOver}: ${s.text}`, events: [{ kind: "sign-gone", ref: s.ref }], kind: "quiet" as const })),
      ]
    case "close":
      return next.choices?.length ? [] : [{ ...close(v), kind: "main" }]
    case "ask-physician":
      return [{ say: T.physician, events: [{ kind: "closed", code: "physician" }] }]
    case "read":
      return v.phase === "recovery" ? [close(v)] : v.phase === "cool-down" ? [{ say: T.seatedNow, events: [{ kind: "recovery" }], kind: "quiet" }] : []
  }
  return []
}

function close(_: View): Act { return { say: T.closeNow, events: [{ kind: "closed", code: "examiner" }], kind: "quiet" } }

// lastUndo is the last thing that can be taken back.
export function lastUndo(s: Session) {
  const line = s.view.log.find((l) => l.undo)
  return line && s.mode === "pen" && s.view.phase !== "closed" ? line : undefined
}

// stoppable says what STOP does at a phase; undefined when there is nothing to stop.
export function stopEvents(v: View): Event[] | undefined {
  switch (v.phase) {
    case "ready": case "riding": return [{ kind: "stopped", code: "other" }]
    case "cool-down": return [{ kind: "recovery" }]
  }
  return undefined
}

export const sameRef = (a: { term: number; n: number }, b: { term: number; n: number }) => key(a) === key(b)
