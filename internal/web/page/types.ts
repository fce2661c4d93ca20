// What the core and the server say, in the shapes of packages core and conduct. Times that end in _ms are
// milliseconds of test time; other times are written "m:ss".

export interface ID { term: number; n: number }

export interface Event {
  term?: number
  n?: number
  at?: string
  ago?: string
  wall?: string
  by?: string
  kind: string
  ref?: ID
  slot?: number
  what?: string
  v?: number
  v2?: number
  level?: number
  src?: string
  used?: number
  dropped?: number
  code?: string
  word?: string
  text?: string
  begin?: { inputs: Inputs; protocol: string }
}

export interface Inputs {
  target_cadence_per_min?: number
  rest_hr_bpm?: number
  rest_sbp_mmhg?: number
  blood_pressure?: string
  [name: string]: number | string | undefined
}

export interface Choice { say: string; events: Event[] }

// AskedLoad is what the instruction asks to set; with pick the examiner chooses it.
export interface AskedLoad { v: number; second: number; text: string; unit: string; pick: { from: number; to: number; step: number } | null }
export interface Ground { distance_m: number; course_m: number; laps: number; left_m: number; rests: number; rested_ms: number; low_spo2: number }
export interface Sound { at_ms: number; every_ms: number; left: number; opens: string; level: string; done: number }

export interface Instruction {
  do: string
  say: string
  why?: string
  rule: string
  source: string
  what?: string
  slot?: number
  part?: string
  work: number
  row?: string
  next?: string
  confirm?: string
  cue?: string
  choices?: Choice[]
  warnings?: { rule: string; say: string }[]
  leads: string
}

export interface Limits {
  end_beat: number
  end_point: number
  percent: number
  max_hr: number
  formula: string
  hr_limit: number
  hr_limit_why: string
  sbp_limit: number
  spo2_limit: number
  spo2_watch: number
  rpe_alert: number
  rpe_end: number
  leads: string
  limits_by: string
}

export interface Row { row: number; below: number; work: number[]; called: boolean; taken: boolean }
export interface Step { from_ms: number; to_ms: number; work: number; height: number; load: string; title: string; planned: boolean; counts: boolean; known: boolean }
export interface ReadingDot { at_ms: number; v: number; taken: boolean; disturbed: boolean; planned: boolean }
export interface MinuteRow {
  minute: number; stage: string; stage_minute: number; work: number; load: string; hr: number; rpe: number
  sbp: number; dbp: number; spo2: number; cadence: number; disturbed: boolean; ref: ID
}
export interface Sign { id: string; text: string; grave: boolean; stop: boolean; does: string; after: string; ref: ID }
export interface LogLine { id: ID; at_ms: number; say: string; undo: boolean }
export interface Quantity { value: number | null; unit: string }

export interface Outcome {
  verdict: string
  reasons: { id?: string; text?: string; say?: string }[] | null
  estimate: any
  low95_text: string
  no_estimate: string
  end_work_w: number
  end_hr: number
  end_stage: string
  ended: string
  departures: { rule?: string; text?: string; say?: string }[] | null
}

export interface View {
  now_ms: number
  phase: string
  next: Instruction
  next_at_ms: number
  left_ms: number
  stage: string
  stage_ms: number
  length_ms: number
  minute: number
  stop_ms: number
  work: number
  load: string
  form: string
  asked: AskedLoad | null
  reading: { over_ms: number; count: boolean } | null
  axis: string
  ground: Ground | null
  beep: Sound | null
  last_hr: number
  next_id: ID
  term: number
  limits: Limits
  rows: Row[]
  stairs: Step[]
  dots: ReadingDot[]
  minutes: MinuteRow[]
  signs: Sign[]
  measured: Sign[]
  log: LogLine[]
  more: { part: string; work: number; mark: string } | null
  result: Outcome | null
  recovery: { HR: number; SBP: number; All: boolean; AskPhysician: boolean } | null
  cool_down_w: number
  cool_down: string
}

export interface Sensed {
  hr?: number; rr_ms?: number[]; contact?: string; location?: string
  cadence?: number; power?: number; battery?: number
  spo2?: number; sbp?: number; dbp?: number; mass_kg?: number; cuff?: boolean; factor?: number
  used: number; dropped: number; good: boolean; enough: boolean; why?: string
}

export interface Answer {
  error?: string
  hint?: string
  want?: ID
  events?: Event[]
  ask?: boolean
  sensed?: Sensed
  sample?: { hr: number; rr_ms: number; cadence: number }
  view?: View
}

export interface Protocol {
  id: string
  title: string
  cadence: { own_from: number; own_to: number; fixed: number; low: { by_percent: number; for: string; times: number } } | null
  readings: { sets: { read: { what: string; at: string; over: string; need: string }[] }[] }
  hold: { over: string } | null
  window: { lasts: string } | null
  cool_down: { lasts: string } | null
  say: { when: string; text: string }[] | null
  parts: { id: string; follow: { what: string; as: string }[] | null; pause: unknown }[]
}

export interface Load { protocol: Protocol; estimator: unknown; events: Event[] }

export interface TestInfo {
  id: string
  title: string
  person: { id: string; code: string; label: string }
  demo: boolean
  speed: number
  simulate: number
  by: string
  load: Load
  clocks: { same_boot: boolean; boot_ms: number; has_wall: boolean; wall_ms: number }
  now_ms: number
  acked: Record<string, number>
  notice: string
}

export const key = (id: ID) => `${id.term}.${id.n}`
export const idOf = (e: Event): ID => ({ term: e.term ?? 0, n: e.n ?? 0 })
export const before = (a: ID, b: ID) => a.term < b.term || (a.term === b.term && a.n < b.n)

// ms reads "m:ss" with an optional fraction and an optional minus.
export function ms(text: string | undefined): number {
  if (!text) return 0
  const minus = text.startsWith("-")
  const parts = text.replace(/^-/, "").split(":")
  const total = Math.round(parts.reduce((sum, part) => sum * 60 + Number(part), 0) * 1000)
  return minus ? -total : total
}

// clock prints a time as m:ss; parts of a second are cut off.
export function clock(at: number): string {
  const s = Math.floor(Math.abs(at) / 1000)
  const text = `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`
  return at <= -1000 ? "\u2212" + text : text
}

// left prints a time that is still to go, so that it reaches 0:00 with the act and not a second before.
export const left = (at: number) => clock(Math.ceil(at / 1000) * 1000)
