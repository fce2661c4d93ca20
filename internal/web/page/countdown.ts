// The five minutes of seated rest count by themselves where scripts run. What the server wrote stays where they do not.
const left = document.querySelector<HTMLElement>("[data-left-ms]")

if (left) {
  left.nextElementSibling?.remove() // the link that asks the server
  const end = performance.now() + Number(left.dataset.leftMs)
  const tick = () => {
    const ms = end - performance.now()
    if (ms <= 0) {
      left.textContent = left.dataset.now ?? ""
      left.setAttribute("role", "status")
      document.title = left.textContent
      return
    }
    const s = Math.ceil(ms / 1000)
    left.textContent = (left.dataset.left ?? "").replace("%s", `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`)
    setTimeout(tick, ms % 1000 || 1000)
  }
  tick()
}
