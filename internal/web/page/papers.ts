// Notes that a result or a data sheet was printed, with its version: a paper that is out must be found again when the
// result is corrected.
const box = document.querySelector<HTMLElement>(".handed")
let noted = location.search.includes("handed") // the form has noted it

addEventListener("beforeprint", () => {
  if (!box || noted) return
  noted = true
  void fetch(`/api/tests/${box.dataset.test}/papers`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ what: box.dataset.what }), keepalive: true })
    .then((r) => (r.ok ? r.json() : Promise.reject(new Error(String(r.status)))))
    .then((a) => { box.textContent = a.said })
    .catch(() => { noted = false; box.textContent = box.dataset.failed! })
})
export {}
