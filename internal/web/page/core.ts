// The page's side of the conductor in its worker.
import type { Answer, Event, Load } from "./types"

declare const WORKER_URL: string

export interface Ask {
  op: string
  at_ms?: number
  load?: Load
  events?: Event[]
  clocks?: { same_boot: boolean; boot_ms: number; has_wall: boolean; wall_ms: number }
  minute?: number
  person?: number
  take_up?: boolean
  by?: string
  sensor?: {
    uuid?: number; device?: string; data?: string
    beats?: { at_ms: number; v: number }[]; rates?: boolean; from_ms?: number; to_ms?: number
    rate?: number; cadence?: number
  }
}

export class Core {
  private worker = new Worker(WORKER_URL)
  private waiting = new Map<number, (answers: Answer[]) => void>()
  private count = 0
  onBeat = () => {}
  onFail = (_: string) => {}

  constructor() {
    this.worker.onmessage = (e) => {
      const [n, answers] = e.data
      if (n === "beat") return this.onBeat()
      if (n === "failed") return this.onFail(answers)
      this.waiting.get(n)?.(answers)
      this.waiting.delete(n)
    }
    this.worker.onerror = (e) => this.onFail(e.message)
  }

  // beat lets onBeat be called every so many milliseconds.
  beat(every: number) { this.worker.postMessage(["beat", every]) }

  ask(...asks: Ask[]): Promise<Answer[]> {
    const n = ++this.count
    const answers = new Promise<Answer[]>((done) => this.waiting.set(n, done))
    this.worker.postMessage([n, asks])
    return answers
  }
}
