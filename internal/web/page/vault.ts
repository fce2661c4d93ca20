// What the page keeps on this device: events that the server has not acknowledged, so that none is lost when the
// server, the network or the tab goes; and the test as it stands, so that it comes back without the server.
// Everything lies encrypted under a key that cannot be taken out of the browser, holds no name and no birth date,
// and is wiped: an event when the server has it on disk, the rest when the test is closed.
import type { Event, ID, Load } from "./types"
import { idOf } from "./types"

// Kept is what is needed to go on without the server.
export interface Kept {
  load: Load
  speed: number
  simulate: number
  demo: boolean
  title: string
}

export interface Mark { at_ms: number; wall: number; last_ms: number }

interface Sealed { iv: Uint8Array<ArrayBuffer>; data: ArrayBuffer }

const stores = ["keys", "outbox", "kept", "pens", "marks"]

function wait<T>(request: IDBRequest<T>): Promise<T> {
  return new Promise((done, fail) => {
    request.onsuccess = () => done(request.result)
    request.onerror = () => fail(request.error)
  })
}

function open(): Promise<IDBDatabase> {
  const request = indexedDB.open("gradus", 1)
  request.onupgradeneeded = () => stores.forEach((name) => request.result.createObjectStore(name))
  return wait(request)
}

export class Vault {
  private constructor(private db: IDBDatabase, private key: CryptoKey, private test: string) {}

  static async open(test: string): Promise<Vault> {
    const db = await open()
    const found = await wait(db.transaction("keys").objectStore("keys").get("outbox"))
    if (found) return new Vault(db, found, test)
    const made = await crypto.subtle.generateKey({ name: "AES-GCM", length: 256 }, false, ["encrypt", "decrypt"])
    const tx = db.transaction("keys", "readwrite", { durability: "strict" })
    const store = tx.objectStore("keys")
    // Another tab may have made one meanwhile: the first stays.
    const key = (await wait(store.get("outbox"))) ?? (store.put(made, "outbox"), made)
    return new Vault(db, key, test)
  }

  private async seal(value: unknown): Promise<Sealed> {
    const iv = crypto.getRandomValues(new Uint8Array(12))
    const text = new TextEncoder().encode(JSON.stringify(value))
    return { iv, data: await crypto.subtle.encrypt({ name: "AES-GCM", iv }, this.key, text) }
  }

  private async unseal(sealed: Sealed): Promise<any> {
    const text = await crypto.subtle.decrypt({ name: "AES-GCM", iv: sealed.iv }, this.key, sealed.data)
    return JSON.parse(new TextDecoder().decode(text))
  }

  // write resolves when what do puts is on the device's disk.
  private write(names: string[], act: (tx: IDBTransaction) => void): Promise<void> {
    const tx = this.db.transaction(names, "readwrite", { durability: "strict" })
    return new Promise((done, fail) => {
      tx.oncomplete = () => done()
      tx.onerror = tx.onabort = () => fail(tx.error)
      act(tx)
    })
  }

  // hold keeps events until they are acknowledged.
  async hold(events: Event[]): Promise<void> {
    const sealed = await Promise.all(events.map((e) => this.seal(e)))
    await this.write(["outbox"], (tx) => events.forEach((e, i) => {
      tx.objectStore("outbox").put(sealed[i], this.place(idOf(e)))
    }))
  }

  private place(id: ID) { return [this.test, id.term, id.n] }

  private range() { return IDBKeyRange.bound([this.test, 0, 0], [this.test, Infinity, Infinity]) }

  async held(): Promise<Event[]> {
    const all = await wait(this.db.transaction("outbox").objectStore("outbox").getAll(this.range()))
    const events: Event[] = []
    for (const sealed of all) {
      // One that cannot be read any more must not keep the others from being delivered.
      try { events.push(await this.unseal(sealed)) } catch { continue }
    }
    return events
  }

  release(ids: ID[]): Promise<void> {
    return this.write(["outbox"], (tx) => ids.forEach((id) => tx.objectStore("outbox").delete(this.place(id))))
  }

  // keep stores the test as it stands.
  async keep(kept: Kept): Promise<void> {
    const sealed = await this.seal(kept)
    await this.write(["kept"], (tx) => tx.objectStore("kept").put(sealed, this.test))
  }

  async kept(): Promise<Kept | undefined> {
    const sealed = await wait(this.db.transaction("kept").objectStore("kept").get(this.test))
    return sealed && this.unseal(sealed)
  }

  setPen(term: number): Promise<void> {
    return this.write(["pens"], (tx) => tx.objectStore("pens").put(term, this.test))
  }

  pen(): Promise<number | undefined> { return wait(this.db.transaction("pens").objectStore("pens").get(this.test)) }

  // mark remembers test time beside the wall clock, for coming back without the server.
  setMark(mark: Mark): Promise<void> {
    return this.write(["marks"], (tx) => tx.objectStore("marks").put(mark, this.test))
  }

  mark(): Promise<Mark | undefined> { return wait(this.db.transaction("marks").objectStore("marks").get(this.test)) }

  // wipe removes all of this test.
  wipe(): Promise<void> {
    return this.write(["outbox", "kept", "pens", "marks"], (tx) => {
      tx.objectStore("outbox").delete(this.range())
      for (const name of ["kept", "pens", "marks"]) tx.objectStore(name).delete(this.test)
    })
  }
}
