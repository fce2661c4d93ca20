// What others write comes to a page by the stream that all pages of the browser share, or, where the browser has no
// shared workers, by one of its own.
declare const STREAM_URL: string

export interface Hears {
  since(): string // the events that the page has
  heard(event: string, data: any): void
  opened(): void
  away(): void
}

export const feedEvents = ["events", "now", "samples", "show", "call", "going"]
const backoffMs = [500, 1000, 2000, 4000, 8000, 10_000]
// A shared worker that says nothing within this time is not used.
const answersWithinMs = 3000

export class Feed {
  shared = false
  private port: MessagePort | undefined
  private own: EventSource | undefined
  private tries = 0
  private closed = false
  private timer = 0

  constructor(private test: string, private hears: Hears) {
    try {
      if (typeof SharedWorker === "undefined") throw new Error("none")
      const worker = new SharedWorker(STREAM_URL)
      worker.onerror = () => this.alone()
      this.port = worker.port
      this.port.onmessage = ({ data }) => this.take(data)
      this.timer = window.setTimeout(() => this.alone(), answersWithinMs)
      void this.join()
      addEventListener("pagehide", this.leave)
      addEventListener("pageshow", this.back)
    } catch {
      this.alone()
    }
  }

  // join says what this page shows. It holds a lock as long as it lives, by which the worker knows when it is gone.
  private async join() {
    const lock = "gradus-page-" + crypto.randomUUID()
    if (navigator.locks) await new Promise<void>((held) => void navigator.locks.request(lock, () => { held(); return new Promise(() => {}) }))
    if (!this.closed) this.port?.postMessage({ test: this.test, since: this.hears.since(), lock: navigator.locks ? lock : undefined })
  }

  private leave = () => this.port?.postMessage({ leave: true })

  private back = (e: PageTransitionEvent) => { if (e.persisted) void this.join() }

  private take(data: any) {
    if (this.closed) return
    if (data.here) {
      clearTimeout(this.timer)
      this.shared = true
    } else if (data.open) this.hears.opened()
    else if (data.away) this.hears.away()
    else this.hears.heard(data.event, JSON.parse(data.data))
  }

  // alone opens a stream of the page's own.
  private alone() {
    clearTimeout(this.timer)
    if (this.closed || this.own || this.shared) return
    this.drop()
    const stream = new EventSource(`/api/tests/${this.test}/stream?since=${this.hears.since()}`)
    this.own = stream
    for (const event of feedEvents) stream.addEventListener(event, (e) => this.hears.heard(event, JSON.parse((e as MessageEvent).data)))
    stream.onopen = () => {
      this.tries = 0
      this.hears.opened()
    }
    stream.onerror = () => {
      stream.close()
      if (this.closed || this.own !== stream) return
      this.own = undefined
      this.hears.away()
      this.timer = window.setTimeout(() => this.alone(), backoffMs[Math.min(this.tries++, backoffMs.length - 1)])
    }
  }

  private drop() {
    removeEventListener("pagehide", this.leave)
    removeEventListener("pageshow", this.back)
    this.leave()
    this.port?.close()
    this.port = undefined
  }

  close() {
    this.closed = true
    clearTimeout(this.timer)
    this.own?.close()
    this.drop()
  }
}
