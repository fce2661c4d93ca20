// Test time on this device: an anchor and the performance clock, which never jumps. The wall clock is only looked
// at to notice that the machine slept.

export class TestClock {
  private base = 0
  private since = 0
  running = false
  speed = 1

  set(at: number) {
    this.base = at
    this.since = performance.now()
  }

  run(on: boolean) {
    if (on === this.running) return
    this.set(this.now())
    this.running = on
  }

  now(): number {
    return this.running ? this.base + (performance.now() - this.since) * this.speed : this.base
  }
}

// sleepAtLeast is how far the wall clock must run ahead of the performance clock between two beats to look like
// a sleep, in ms.
const sleepAtLeast = 2000

// SleepWatch notices that the wall clock ran ahead of the performance clock, which stands still while some
// machines sleep, or that the wall clock was changed.
export class SleepWatch {
  private wall = Date.now()
  private perf = performance.now()

  // beat returns by how many ms the wall clock ran ahead since the last beat; 0 when it kept pace.
  beat(): number {
    const wall = Date.now(), perf = performance.now()
    const ahead = wall - this.wall - (perf - this.perf)
    this.wall = wall
    this.perf = perf
    return Math.abs(ahead) >= sleepAtLeast ? ahead : 0
  }
}
