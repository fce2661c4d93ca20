// Every English text of the scripted pages. Sentences of the test itself come from the conductor.
import type { Event } from "./types"

const thin = "\u2009"

export const whats: Record<string, string> = {
  heart_rate: "Heart rate", rpe: "Exertion", blood_pressure: "Pressure", spo2: "SpO\u2082", cadence: "Cadence",
  breathlessness: "Breathlessness", distance: "Distance",
}
export const units: Record<string, string> = {
  heart_rate: "/min", blood_pressure: "mmHg", spo2: "%", cadence: "/min", distance: "m", rpe: "", breathlessness: "",
}

// withUnit sets the unit after a thin space.
export const withUnit = (v: number | string, unit: string) => (unit ? `${v}${thin}${unit}` : String(v))

const single = (m: { what: string; v: number; v2?: number }) => withUnit(m.v2 ? `${m.v}/${m.v2}` : m.v, units[m.what])

export const T = {
  // opening
  opening: "Opening the test\u2026",
  coreFailed: "The part of the page that runs the test did not start.",
  cannotOpen: "This test cannot be opened now.",
  cannotOpenHint: "The server does not answer, and this device does not hold the test. Start the program again, then reload this page.",
  reload: "Reload",
  askMinute: "The page was away too long to know the time. Which minute of the test is it?",
  askMinuteLabel: "Minute of the test",
  goOn: "Go on",

  // head
  who: (person: string, title: string, stage: string, minute: number, begun: boolean) =>
    [person, title, stage, begun ? `minute ${minute}` : "not begun"].filter(Boolean).join(" \u00b7 "),

  fast: (times: number) => `time runs ${times} times as fast`,

  // instruction
  whyLabel: "Why?",
  whyRule: (rule: string, source: string) => `Rule ${rule}; source: ${source}.`,
  leads: (what: string) => `What leads the end of this test: ${what}.`,
  caution: "Caution",
  script: "Say",

  // when something is wrong
  emergency: "Emergency",
  emergencyLog: "Log of vital signs and hand-over",
  emergencyBack: "Back to the test",
  emergencyAway: "The server does not answer: the log cannot be opened. Heart rate, pressure and SpO\u2082 that you enter on this page are kept with the test; write the time and what you see on paper.",

  // clocks
  untilNext: "until then",
  overdue: "overdue",
  testClock: "test",
  stageClock: (stage: string) => stage,
  ofLength: (length: string) => `of ${length}`,
  stopClock: "since the stop",
  heartNow: "heart rate now",
  endsAt: (beat: number) => `ends at ${beat}`,
  noEnd: "no heart rate ends it",
  noSensor: "no sensor",
  silent: (s: number) => `silent for ${s}${thin}s`,
  srcName: { strap: "strap", optical: "optical sensor", machine: "machine", invented: "invented strap" } as Record<string, string>,
  quality: { good: "good signal", poor: "poor signal" },
  beats: (used: number, dropped: number) => (dropped ? `${used} beats, ${dropped} left out` : `${used} beats`),

  // acts
  begin: (w: string) => (w ? `${w} is set: start` : "Start"),
  isSet: (w: string) => `${w} is set`,
  watts: (w: number) => `${w}${thin}W`,
  confirmStep: (w: string) => `Yes, ${w}: confirm the large step`,
  level: "Level shown",
  levelSet: (level: number) => (level ? `Level ${level} is set` : "The level is set"),
  lowered: (w: string) => `${w} is set`,
  coolDown: (load: string) => (load ? `Cool-down set, ${load}` : "Slowing down"),
  less: "less", more: "more",
  pick: (unit: string) => `Load to set, ${unit}`,
  lap: (m: number) => `Lap, ${m}${thin}m`,
  ground: (m: number, laps: number) => (laps ? `${m}${thin}m, ${laps} ${laps === 1 ? "lap" : "laps"}` : `${m}${thin}m`),
  groundLeft: (m: number) => `${Math.round(m)}${thin}m to go`,
  rested: (n: number, lasted: string) => `${n} ${n === 1 ? "rest" : "rests"}, ${lasted}`,
  distance: "distance",
  beeps: (done: number, left: number) => `beep ${done}, ${left} left in this part`,
  countStart: (s: number) => `Start the ${s}${thin}s count`,
  counting: (left: string) => `Count: ${left}`,
  countOver: "Enter the count",
  seated: "Stopped and seated",
  seatedNow: "Sit down now",
  seatedEnd: "Seated",
  breakOver: "Moving again",
  breakBegin: "Break",
  restBegin: "Rest",
  symptomOver: "The symptom is over",
  physician: "A physician was asked: close",
  closeNow: "Close the test now",
  take: (v: number) => `Take ${v}`,
  takePoor: (v: number, why: string) => `Take ${v} (${why})`,
  typeIt: "Type the reading",
  enter: (v: string) => `Enter ${v}`,
  enterEmpty: "Enter",
  undo: "Undo",
  undoLast: (say: string) => `Undo: ${say}`,
  oneMoreMinute: "One more minute",
  result: "Read the result",
  lookNow: "Without a sensor: look at heart rate now, minute 1 of this stage.",
  cadenceLock: (factor: number) => `Heart rate has been ${factor === 1 ? "the step rate" : factor === 2 ? "twice the step rate" : "half the step rate"} for a while: the sensor may count steps. Count the pulse for 15${thin}s and enter it.`,
  countNow: "Count 15\u2009s",
  meanApart: (v: string) => `The mean of 30 s is ${v}: the rate was still moving.`,
  takenNote: (v: number, used: number, dropped: number) =>
    dropped ? `${v} taken from ${used} beats, ${dropped} left out.` : `${v} taken from ${used} beats.`,

  // stop
  stop: "STOP",
  stopped: "Stopped",
  whyStopped: "Stopped. What was it?",
  reasonsTitle: "Signs",
  otherReasons: "Other reasons",
  reasons: [["wish", "The participant\u2019s wish"], ["fatigue", "Fatigue"], ["cadence", "Cadence not kept"], ["equipment", "Equipment failed"],
    ["examiner", "My decision"], ["other", "Another reason"]] as [string, string][],
  reasonLater: "Later",

  // keypad
  keypad: "Reading",
  digits: "Digits",
  clear: "Clear",
  back: "Delete",
  howCounted: "How it was read",
  counted: { typed: "shown", "palpated-15s": "counted 15\u2009s", "palpated-10s": "counted 10\u2009s", "palpated-30s": "counted 30\u2009s" } as Record<string, string>,
  countTimes: (n: number, times: number) => `${n} \u00d7 ${times} = ${n * times}`,
  pressureHint: "systolic / diastolic",
  cuffRuns: "Cuff is running",
  pointCard: "Point at the card; press the number.",
  tapBeat: "Tap each step",
  tapped: (v: number) => `Use ${v}${thin}/min as own cadence`,
  tapMore: "Go on tapping",
  disturbed: "Last reading disturbed",
  symptom: "Symptom",
  symptomPick: "What does the participant show or tell?",
  symptomStands: "stands",
  note: "Note",
  noteLabel: "Note, no names",
  save: "Save",
  cancel: "Cancel",

  // look-ups
  looks: { sheet: "Sheet", limits: "Limits and rows", signs: "Stop signs", sensors: "Sensors", prompts: "Sound and help", log: "Log", screens: "Screens and paper" } as Record<string, string>,
  closeLook: "Close",
  sheetCaption: "Minute by minute",
  sheetHead: ["Minute", "Stage", "Load", "Heart rate", "Exertion", "Pressure", "SpO\u2082", "Cadence", ""],
  sheetEmpty: "No reading yet.",
  correct: "Correct",
  correctLabel: (minute: number) => `Correct heart rate, minute ${minute}`,
  disturbedMark: "disturbed",
  limitsCaption: "What ends this test",
  limit: { end: "Planned end, heart rate", formula: "Maximal heart rate", hr: "Safety limit, heart rate", sbp: "Safety limit, systolic", spo2: "Safety limit, SpO\u2082", rpeAlert: "Exertion, watch", rpeEnd: "Exertion, end", by: "Limits set by" },
  formula: (max: number, formula: string, percent: number) => `${max}${thin}/min by ${formula}; ${percent}${thin}% of it`,
  none: "none",
  rowsCaption: "Branch table: loads after stage 1, by its last steady heart rate",
  rowBelow: (below: number) => `below ${below}`,
  rowRest: "every higher rate",
  rowTaken: "taken",
  rowCalled: "called for",
  signsCaption: "Signs that stop the test, or ask for a second look",
  signGrave: "stop, stay seated",
  signStop: "stop",
  signWatch: "watch closely",
  signsMeasured: "Judged by the conductor from every value that is entered",
  signDoes: { stop: "stop", check: "hold, measure again, stop if confirmed", alert: "watch closely", pause: "rest, or stop" } as Record<string, string>,

  // sensors
  noBluetooth: "This browser cannot reach Bluetooth sensors. Typing works as well; to connect a strap use a Chromium browser.",
  addSensor: {
    heart: "Connect a heart-rate sensor", machine: "Connect the machine or a power meter",
    oximeter: "Connect a pulse oximeter", cuff: "Connect a pressure cuff",
  } as Record<string, string>,
  takeOffer: (m: { what: string; v: number; v2?: number; why?: string; stored: boolean }) =>
    `Take ${single(m)} (${m.why ?? "it may have been measured before"})`,
  takenDevice: (m: { what: string; v: number; v2?: number }) => `${whats[m.what]} ${single(m)} taken from the ${m.what === "spo2" ? "oximeter" : "cuff"}.`,
  spo2Now: (v: number) => `SpO\u2082 ${v}${thin}%`,
  scale: "Read from a scale",
  scaleWait: "Step on the scale.",
  scaleSaid: (mass: string, stored: boolean) => `${mass} from the scale.${stored ? " It may have been measured before: check it." : ""}`,
  machineRead: "The machine is read only. The load stays in your hand.",
  sensorStates: { connecting: "connecting", on: "connected", lost: "signal lost, trying again" } as Record<string, string>,
  battery: (p: number) => `battery ${p}${thin}%`,
  batteryLow: "battery low",
  disconnect: "Disconnect",
  notChosen: "No sensor was chosen.",
  malformed: (n: number) => `${n} values could not be read and were left out.`,
  sensorLost: "Heart-rate sensor silent.",
  sensorBack: "Heart-rate sensor back.",

  // prompts
  settings: { sound: "Sounds", speech: "Spoken prompts", vibration: "Vibration", metronome: "Metronome at the own cadence", keys: "Single keys (digits, Enter, S for STOP)", script: "Show what to say" } as Record<string, string>,
  look: { system: "Light as the device", light: "Light", dark: "Dark" } as Record<string, string>,
  lookLabel: "Paper",
  noMetronome: "Set the own cadence first: tab Cadence, tap each step.",
  spoken: { soon: "In fifteen seconds.", read: "Now.", load: "New load.", look: "" } as Record<string, string>,

  // log, screens
  logEmpty: "Nothing recorded yet.",
  screens: {
    participant: "Participant\u2019s screen", observe: "Observer\u2019s screen (reads only)", sheet: "Carry on on paper: print the sheet as it stands",
    file: "Save the record as a file",
  },
  callSupervisor: "Call the supervisor",
  call: "Call",
  called: (n: number) => (n < 0 ? "The call did not go out." : n === 0 ? "The call went out; no screen is open." : `The call is on ${n} ${n === 1 ? "screen" : "screens"}.`),
  callShown: (by: string) => `Called to the bedside by the ${by}.`,
  seen: "Seen",

  // states
  awayNow: "The server does not answer. The test goes on here; nothing is lost.",
  goingNow: "The server is going down for a while. The test goes on here; nothing is lost.",
  goingWatching: "The server is going down for a while. This screen goes on when it is back.",
  awayWatching: "The server does not answer. This screen shows the last it knows.",
  waiting: (n: number) => `${n} ${n === 1 ? "entry waits" : "entries wait"} on this device.`,
  deviceCannotKeep: (why: string) => `This device cannot keep entries by itself (${why}). Do not close the page while the server is away.`,
  serverRefused: (status: number) => `The server could not keep the record (${status}).`,
  troubleHint: "The test goes on here. Save the record as a file to be safe.",
  following: "Another device holds the pen. This page reads only.",
  takePen: "Take the pen here",
  observing: "Observer: this page reads only.",
  lostEntries: (what: string) => `Another device wrote first. Not in the record: ${what}. Enter it again if it is needed.`,
  lostEvent: (e: Event) => [e.kind === "reading" ? whats[e.what ?? ""] ?? "reading" : e.kind, e.v ? String(e.v) : "", e.text ?? ""].filter(Boolean).join(" "),

  // picture
  picture: "The test as stairs",
  pictureAlt: (p: { stage: string; load: string; minute: number; readings: string; end: number; planned: string; hr: string }) =>
    [p.stage && `${[p.stage, p.load].filter(Boolean).join(" at ")}, minute ${p.minute}`, p.planned && `Loads: ${p.planned}`, p.readings ? `Heart rates taken: ${p.readings}` : "No heart rate taken yet",
      p.hr, p.end ? `The planned end is ${p.end}` : ""].filter(Boolean).join(". ") + ".",
  axisWatt: "W",
  axisHeart: "/min",
  axisMinute: "min",
  legend: "\u25cb planned reading  \u25cf taken  \u25d0 disturbed  \u2504 planned end  thin line: sensor",
  unknownLoad: "?",

  // result
  resultTitle: "Result",
  estimate: "Estimated peak oxygen uptake",
  rangeSays: "95\u2009% range for one person, if the equation holds for people like this one.",
  noEstimate: "No estimate",
  endAt: (hr: number, load: string, stage: string) => `Last stage that counts: ${[stage, load].filter(Boolean).join(", ")}${hr ? ` at ${hr}${thin}/min` : ""}.`,
  ended: (why: string) => `Ended: ${why}.`,
  verdict: (v: string) => `${v.charAt(0).toUpperCase()}${v.slice(1)}.`,
  reasonsOf: "Why",

  // live region
  spokenStage: (stage: string, load: string) => [stage, load].filter(Boolean).join(", "),
  secondsLeft: (s: number, next: string) => `${s} seconds: ${next}`,

  // participant
  keepRhythm: (min: number) => (min >= 1 ? `${min} ${min === 1 ? "minute" : "minutes"} more, keep this rhythm` : "Less than a minute more, keep this rhythm"),
  pReady: "We begin in a moment.",
  pCool: "Well done. Step slowly now.",
  pRest: "Well done. Sit and rest.",
  pGo: (min: number) => (min >= 1 ? `${min} ${min === 1 ? "minute" : "minutes"} more` : "Less than a minute more"),
  pStop: "Let it run out and rest.",
  pBreak: "Rest a moment.",
  pDone: "Done. Thank you.",
  pCard: "Please point at the card.",
  showHeart: "The participant\u2019s screen shows the heart rate",
  footsteps: (done: number, all: number) => `${done} of ${all} footsteps of this stage done`,
  leftInStage: "left in this stage",
}
