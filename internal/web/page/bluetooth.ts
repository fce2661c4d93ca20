// Sensors by Web Bluetooth: heart rate first, then fitness machine, power, cadence, battery. Bytes are decoded in the
// core. Only notifications are switched on: no value is ever written to a machine.
import type { Core } from "./core"
import type { Kind, SensorSource, Signals } from "./signals"

const heartService = 0x180d, batteryService = 0x180f
const machineServices = [0x1826, 0x1818, 0x1816, 0x1814]
// Characteristics that are listened to, by service.
const notified: Record<number, number[]> = {
  0x180d: [0x2a37],
  0x1826: [0x2ace, 0x2acf, 0x2ad0, 0x2acd, 0x2ad1, 0x2ad2],
  0x1818: [0x2a63],
  0x1816: [0x2a5b],
  0x1814: [0x2a53],
  0x180f: [0x2a19],
}
const locationOf = 0x2a38
const backoffMs = [1000, 2000, 4000, 8000, 10_000]
const chest = ["chest", "other"]

export interface Host { core: Core; signals: Signals; now(): number; changed(): void }

export class Bluetooth {
  private constructor(private host: Host) {}

  // open returns undefined where the browser has no Web Bluetooth.
  static open(host: Host): Bluetooth | undefined {
    return "bluetooth" in navigator && navigator.bluetooth ? new Bluetooth(host) : undefined
  }

  // add lets the examiner choose a sensor. It must be called in a tap.
  async add(kind: "heart" | "machine") {
    const services = kind === "heart" ? [heartService] : machineServices
    const device = await navigator.bluetooth.requestDevice({
      filters: services.map((s) => ({ services: [s] })), optionalServices: [batteryService, heartService, ...machineServices],
    })
    const known = this.host.signals.sources.find((s) => s.id === device.id)
    if (known) return
    const sensor = new Sensor(device, this.host)
    this.host.signals.sources.push(sensor)
    await sensor.connect()
  }
}

class Sensor implements SensorSource {
  id: string
  name: string
  src: "strap" | "optical" | "machine" = "machine"
  state: "connecting" | "on" | "lost" = "connecting"
  gives: Kind[] = []
  battery?: number
  why = "" // what went wrong when it was last tried
  private closed = false
  private tries = 0

  constructor(private device: BluetoothDevice, private host: Host) {
    this.id = device.id
    this.name = device.name ?? "sensor"
    device.addEventListener("gattserverdisconnected", () => this.lost())
  }

  // connect asks one thing after the other: some operations cannot run side by side. After a loss everything is
  // discovered anew, since the old objects are dead.
  async connect() {
    this.set("connecting")
    try {
      const server = await this.device.gatt!.connect()
      for (const service of await server.getPrimaryServices()) await this.listen(service)
      this.tries = 0
      this.set("on")
    } catch (e) {
      this.why = String(e)
      this.lost()
      if (!this.gives.length) throw e
    }
  }

  private async listen(service: BluetoothRemoteGATTService) {
    const wanted = notified[parseInt(service.uuid.slice(4, 8), 16)]
    if (!wanted) return
    for (const c of await service.getCharacteristics()) {
      const uuid = parseInt(c.uuid.slice(4, 8), 16)
      if (uuid === locationOf) await this.take(uuid, await c.readValue())
      if (!wanted.includes(uuid)) continue
      c.addEventListener("characteristicvaluechanged", () => void this.take(uuid, c.value!))
      if (uuid === 0x2a19) await c.readValue().catch(() => {})
      if (c.properties.notify || c.properties.indicate) await c.startNotifications()
    }
  }

  private async take(uuid: number, value: DataView) {
    const at = this.host.now()
    const data = btoa(String.fromCharCode(...new Uint8Array(value.buffer, value.byteOffset, value.byteLength)))
    const [a] = await this.host.core.ask({ op: "decode", at_ms: Math.round(at), sensor: { uuid, data, device: this.id } })
    const s = a.sensed
    if (!s) {
      this.host.signals.malformed++
      return
    }
    if (uuid === 0x2a37) this.src = this.src === "machine" ? "strap" : this.src
    if (s.location && !chest.includes(s.location)) this.src = "optical"
    if (s.battery !== undefined) this.battery = s.battery
    if (s.hr) this.give("hr", at, s.hr)
    this.beats(at, s.rr_ms ?? [])
    if (s.cadence !== undefined) this.give("cadence", at, s.cadence)
    if (s.power !== undefined) this.give("power", at, s.power)
  }

  // beats places intervals in time: the last one ended now.
  private beats(at: number, rr: number[]) {
    let end = at - rr.reduce((sum, x) => sum + x, 0)
    for (const x of rr) {
      end += x
      this.give("rr", end, x)
    }
  }

  private give(kind: Kind, at: number, v: number) {
    if (!this.gives.includes(kind)) this.gives.push(kind)
    this.host.signals.add(kind, at, v)
  }

  private lost() {
    if (this.closed) return
    this.set("lost")
    const wait = backoffMs[Math.min(this.tries++, backoffMs.length - 1)]
    setTimeout(() => { if (!this.closed && this.state === "lost") void this.connect().catch(() => {}) }, wait)
  }

  private set(state: Sensor["state"]) {
    this.state = state
    this.host.changed()
  }

  close() {
    this.closed = true
    this.device.gatt?.disconnect()
  }
}
