// The worker in which the conductor runs. Messages are [number, asks] and come back as [number, answers]; the
// worker also beats, because timers of a page that is not in front are slowed down and those of a worker are not.
import "go-wasm-exec"

declare const CORE_URL: string

interface Scope {
  gradusCore(text: string): string
  gradusReady(): void
  postMessage(message: unknown): void
  onmessage: ((e: MessageEvent) => void) | null
}
const scope = self as unknown as Scope

async function start() {
  const go = new (globalThis as any).Go()
  const ready = new Promise<void>((done) => { scope.gradusReady = done })
  const response = await fetch(CORE_URL)
  if (!response.ok) throw new Error(`the conductor did not come: ${response.status}`)
  const { instance } = await WebAssembly.instantiateStreaming(response, go.importObject)
  void go.run(instance)
  await ready
}

const started = start().catch((e) => { scope.postMessage(["failed", String(e)]); throw e })

scope.onmessage = async (e) => {
  if (e.data[0] === "beat") {
    setInterval(() => scope.postMessage(["beat"]), e.data[1])
    return
  }
  const [n, asks] = e.data as [number, unknown[]]
  await started
  scope.postMessage([n, asks.map((ask) => JSON.parse(scope.gradusCore(JSON.stringify(ask))))])
}
