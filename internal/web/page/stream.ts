// The pages of one browser share one stream of events: this shared worker holds it, whatever number of tabs look at
// whatever tests. A page says which test it shows and which events it has; it gets what comes after them, and it
// leaves when its lock falls free, whether it was closed or crashed.
export {}

interface Seat { port: MessagePort; test: string; marks: Map<number, number> }

const scope = self as unknown as { onconnect: (e: MessageEvent) => void }
const seats = new Set<Seat>()
const backoffMs = [500, 1000, 2000, 4000, 8000, 10_000]
// Pages that open together are asked for at once.
const togetherMs = 20

let source: EventSource | undefined
let tries = 0
let timer = 0

scope.onconnect = (e) => {
  const port = e.ports[0]
  let seat: Seat | undefined
  const leave = () => {
    if (seat && seats.delete(seat)) again()
    seat = undefined
  }
  port.onmessage = ({ data }) => {
    if (data.leave) return leave()
    leave()
    seat = { port, test: data.test, marks: read(data.since) }
    seats.add(seat)
    port.postMessage({ here: true })
    if (data.lock) void navigator.locks.request(data.lock, leave)
    again()
  }
}

function read(text: string): Map<number, number> {
  return new Map(text.split(",").filter(Boolean).map((m) => m.split(".").map(Number) as [number, number]))
}

function write(marks: Map<number, number>): string {
  return [...marks].sort((a, b) => a[0] - b[0]).map(([term, n]) => `${term}.${n}`).join(",")
}

// common is what all of these pages have.
function common(all: Map<number, number>[]): Map<number, number> {
  const out = new Map<number, number>()
  for (const [term, n] of all[0]) {
    const least = Math.min(n, ...all.map((m) => m.get(term) ?? 0))
    if (least > 0) out.set(term, least)
  }
  return out
}

function again(afterMs = togetherMs) {
  clearTimeout(timer)
  timer = setTimeout(open, afterMs) as unknown as number
}

// open asks for all tests that pages show. The stream before it goes on until this one runs, so that no call for
// help is lost between them.
function open() {
  const before = source
  if (!seats.size) {
    before?.close()
    source = undefined
    return
  }
  const tests = new Map<string, Seat[]>()
  for (const s of seats) tests.set(s.test, [...(tests.get(s.test) ?? []), s])
  const query = [...tests].map(([test, at]) => "of=" + encodeURIComponent(`${test}~${write(common(at.map((s) => s.marks)))}~${at.length}`)).join("&")
  const stream = new EventSource("/api/stream?" + query)
  source = stream
  let of = ""
  const pass = (message: unknown) => { for (const s of seats) if (s.test === of) s.port.postMessage(message) }
  stream.addEventListener("of", (e) => { of = e.data })
  for (const event of ["now", "samples", "show", "call", "going"]) stream.addEventListener(event, (e) => pass({ event, data: e.data }))
  stream.addEventListener("events", (e) => {
    for (const s of seats) if (s.test === of) for (const [term, n] of read(e.lastEventId)) s.marks.set(term, Math.max(n, s.marks.get(term) ?? 0))
    pass({ event: "events", data: e.data })
  })
  stream.onopen = () => {
    before?.close()
    tries = 0
    for (const s of seats) s.port.postMessage({ open: true })
  }
  stream.onerror = () => {
    stream.close()
    before?.close()
    if (source !== stream) return
    for (const s of seats) s.port.postMessage({ away: true })
    again(backoffMs[Math.min(tries++, backoffMs.length - 1)])
  }
}
