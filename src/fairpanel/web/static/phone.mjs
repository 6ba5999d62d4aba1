// Loads the page anew when a phone came in or the door was shut.

const door = document.querySelector("[data-door]")
let leaving = false
addEventListener("submit", () => { leaving = true }) // the answer to the form shows the news, with its words

async function watch() {
  while (!leaving) {
    await new Promise(resolve => setTimeout(resolve, 1000))
    try {
      const answer = await fetch("/phone", { headers: { accept: "application/json" } })
      const now = await answer.json()
      const same = now.open && (now.waiting ? "waiting" : "in") === door.dataset.door && String(now.phones) === door.dataset.phones
      if (!same && !leaving) { location.replace("/phone"); return }
    } catch { /* asked again */ }
  }
}

if (door) watch()
