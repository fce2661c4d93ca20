// Sensors by Web Bluetooth: heart rate, fitness machine, power, cadence, oximeter, cuff, scale, battery. Bytes are
// decoded in the core. Only notifications and indications are switched on: no value is ever written to a machine.
import type { Core } from "./core"
import type { Given, Kind, SensorSource, Signals } from "./signals"
import type { Sensed } from "./types"

const batteryService = 0x180f
// What the examiner can look for, and the services that make a device one of them.
const services = { heart: [0x180d], machine: [0x1826, 0x1818, 0x1816, 0x1814], oximeter: [0x1822], cuff: [0x1810], scale: [0x181d] }
export type Sought = keyof typeof services
// Characteristics that are listened to, by service.
const notified: Record<number, number[]> = {
  0x180d: [0x2a37],
  0x1826: [0x2ace, 0x2acf, 0x2ad0, 0x2acd, 0x2ad1, 0x2ad2],
  0x1818: [0x2a63],
  0x1816: [0x2a5b],
  0x1814: [0x2a53],
  0x1822: [0x2a5e, 0x2a5f],
  0x1810: [0x2a35, 0x2a36],
  0x181d: [0x2a9d],
  0x180f: [0x2a19],
}
const locationOf = 0x2a38
// Cuffs, oximeters and scales hand over what they have stored as soon as they are connected. What comes so soon after
// the first connection may be old and is only offered; our own choice.
const storedMs = 5000
const backoffMs = [1000, 2000, 4000, 8000, 10_000]
const chest = ["chest", "other"]

// Measured is a single value of a cuff, an oximeter or a scale.
export interface Measured { what: "blood_pressure" | "spo2" | "mass" | "cuff"; v: number; v2?: number; good: boolean; why?: string; stored: boolean }

export interface Host { core: Core; signals: Signals; now(): number; changed(): void; measured(m: Measured): void }

export class Bluetooth {
  private constructor(private host: Host) {}

  // open returns undefined where the browser has no Web Bluetooth.
  static open(host: Host): Bluetooth | undefined {
    return "bluetooth" in navigator && navigator.bluetooth ? new Bluetooth(host) : undefined
  }

  // add lets the examiner choose a sensor. It must be called in a tap.
  async add(kind: Sought) {
    const device = await navigator.bluetooth.requestDevice({
      filters: services[kind].map((s) => ({ services: [s] })), optionalServices: [batteryService, ...Object.values(services).flat()],
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
  gives: Given[] = []
  says: string | undefined
  private since = 0 // when it was first connected
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
      this.since ||= performance.now()
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
    this.measure(uuid, at, s)
  }

  // measure hands on single measurements, and the stream of an oximeter as far as it stands behind it.
  private measure(uuid: number, at: number, s: Sensed) {
    const oximeter = uuid === 0x2a5e || uuid === 0x2a5f
    if (oximeter || uuid === 0x2a35) this.says = s.why
    if (oximeter) this.can("spo2")
    if (uuid === 0x2a5f && s.spo2 !== undefined && s.good) this.give("spo2", at, s.spo2)
    const tell = (what: Measured["what"], v: number, good: boolean, v2?: number) =>
      this.host.measured({ what, v, v2, good, why: s.why, stored: !this.since || performance.now() - this.since < storedMs })
    if (uuid === 0x2a5e && s.spo2 !== undefined) tell("spo2", s.spo2, s.good)
    if (uuid === 0x2a35 || uuid === 0x2a36) this.can("pressure")
    if (s.sbp !== undefined) tell("blood_pressure", s.sbp, s.good, s.dbp)
    if (s.cuff) tell("cuff", 0, true)
    if (s.mass_kg !== undefined) { this.can("mass"); tell("mass", s.mass_kg, true) }
    this.host.changed()
  }

  private can(what: Given) { if (!this.gives.includes(what)) this.gives.push(what) }

  // beats places intervals in time: the last one ended now.
  private beats(at: number, rr: number[]) {
    let end = at - rr.reduce((sum, x) => sum + x, 0)
    for (const x of rr) {
      end += x
      this.give("rr", end, x)
    }
  }

  private give(kind: Kind, at: number, v: number) {
    this.can(kind)
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
