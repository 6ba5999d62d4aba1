// Clocks that are worked out from recorded moments: reload, sleep and a second window change nothing.

const ms = 200

function span(seconds) {
  const whole = Math.floor(Math.abs(seconds) + 1e-6)
  const [h, m, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60]
  if (h) return `${h} h ${m} min`
  return m ? `${m} min ${s} s` : `${s} s`
}

export function left(seconds) { return `${span(Math.ceil(seconds))} left` }

function say(place, words) { if (place.textContent !== words) place.textContent = words }

// How far this device's clock is from the bench's: the moments on the page are the bench's.
const place = document.querySelector("[data-clocks]")
const ahead = place ? Number(place.dataset.now) - Date.now() / 1000 : 0

export function now() { return Date.now() / 1000 + ahead }

function show() {
  const at = now()
  for (const one of document.querySelectorAll("[data-down]")) {
    const rest = Number(one.dataset.down) - at
    say(one, rest > 0 ? left(rest) : one.dataset.then)
  }
  for (const one of document.querySelectorAll("[data-up]")) {
    say(one, span(at - Number(one.dataset.up)))
    if (one.dataset.end && at >= Number(one.dataset.end)) one.dataset.late = "yes"
  }
}

if (place) {
  show()
  setInterval(show, ms)
  document.addEventListener("visibilitychange", show)
}
