// Covers a page that nobody has used for a while, and tells the server while somebody does. What was entered stays in the
// page; the running test has a page of its own, which nothing covers.
const cover = document.querySelector<HTMLElement>(".cover")
if (cover) {
  const idle = Number(cover.dataset.idleMs)
  const tellEvery = Math.min(60_000, idle / 3)
  let used = Date.now(), told = Date.now()
  const tell = () => {
    told = Date.now()
    fetch("/api/awake", { method: "POST", headers: { "Content-Type": "application/json" }, body: "{}" })
      .then((r) => { if (r.status === 401) lock() })
      .catch(() => {})
  }
  const lock = () => {
    if (!cover.hidden) return
    const go = cover.querySelector<HTMLAnchorElement>("a")!
    go.target = "_blank"
    go.rel = "opener"
    cover.hidden = false
    document.body.classList.add("covered")
    for (const e of document.body.children) if (e !== cover) e.setAttribute("inert", "")
    go.focus()
  }
  const open = () => {
    cover.hidden = true
    document.body.classList.remove("covered")
    for (const e of document.body.children) e.removeAttribute("inert")
    used = Date.now()
  }
  for (const kind of ["pointerdown", "keydown", "wheel", "touchstart"]) addEventListener(kind, () => {
    if (!cover.hidden) return
    used = Date.now()
    if (used - told > tellEvery) tell()
  }, { passive: true })
  // Timers sleep with the machine: the wall clock counts.
  setInterval(() => { if (Date.now() - used > idle) lock() }, 1000)
  // Unlocked in the other tab: this one asks when it is looked at again.
  addEventListener("focus", async () => {
    if (cover.hidden) return
    const r = await fetch("/api/awake", { method: "POST", headers: { "Content-Type": "application/json" }, body: "{}" }).catch(() => undefined)
    if (r?.ok) open()
  })
}
export {}
