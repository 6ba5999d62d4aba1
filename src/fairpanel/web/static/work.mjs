// Keeps every piece of work on the page up to date; when one ends, the page that shows what came of it is loaded.

const often = 400 // ms

async function look(piece) {
  const answer = await fetch(`/work/${piece.dataset.work}`, { headers: { accept: "application/json" } })
  if (!answer.ok) return true
  const now = await answer.json()
  const bar = piece.querySelector("progress")
  if (now.of) { bar.max = now.of; bar.value = now.done }
  const said = piece.querySelector("[data-how-far]")
  if (said.textContent !== now.how_far) said.textContent = now.how_far
  if (now.going) return false
  piece.dispatchEvent(new CustomEvent("work-ended", { bubbles: true, detail: now }))
  if (piece.closest("[data-then]")) location.replace(now.then || location.href)
  else if (!piece.closest("[data-stay]")) piece.replaceChildren(ended(now))
  return true
}

function ended(now) {
  const line = document.createElement("p")
  line.setAttribute("role", "status")
  line.append(`${now.title}: ${now.how_far}. `)
  const link = document.createElement("a")
  link.href = now.then || `/work/${now.id}`
  link.textContent = "Show"
  line.append(link)
  return line
}

export async function follow(piece) {
  for (;;) {
    let over = false
    try { over = await look(piece) } catch { /* the server may be busy or gone; asked again */ }
    if (over) return
    await new Promise(resolve => setTimeout(resolve, often))
  }
}

for (const piece of document.querySelectorAll("[data-work]")) follow(piece)
