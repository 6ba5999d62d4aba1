// The run sheet: sound at every step, the screen kept awake, and a look at what another device recorded.

import { now } from "./clocks.mjs"

const sheet = document.querySelector("[data-sheet]")
const button = sheet.querySelector("[data-sound]")
const awake = sheet.querySelector("[data-awake]")
let sound = null

for (const one of sheet.querySelectorAll("[data-at]"))
  one.textContent = new Date(Number(one.dataset.at) * 1000).toLocaleTimeString([], { hour12: false })

// ---- sound: three short tones before a step, a long one on it ----

function tone(hertz, seconds) {
  const voice = sound.createOscillator(), loud = sound.createGain()
  voice.frequency.value = hertz
  loud.gain.setValueAtTime(0.4, sound.currentTime)
  loud.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + seconds)
  voice.connect(loud).connect(sound.destination)
  voice.start()
  voice.stop(sound.currentTime + seconds)
}

const due = [...sheet.querySelectorAll("[data-due]")].map(one => Number(one.dataset.due))
const end = sheet.querySelector("[data-end]")
if (end) due.push(Number(end.dataset.end))
const tones = due.flatMap(at => [3, 2, 1, 0].map(before => ({ at: at - before, last: !before })))
  .filter(one => one.at > now()).sort((a, b) => a.at - b.at)

function ring() {
  while (tones.length && tones[0].at <= now()) {
    const one = tones.shift()
    // After a sleep what is over is passed in silence.
    if (sound && now() - one.at < 1.5) {
      tone(one.last ? 1320 : 880, one.last ? 0.7 : 0.12)
      button.dataset.rang = String(Number(button.dataset.rang || 0) + 1)
    }
  }
}

function keep(on) { try { localStorage.setItem("run-sheet-sound", on ? "on" : "off") } catch { /* not allowed: asked again next time */ } }
function kept() { try { return localStorage.getItem("run-sheet-sound") === "on" } catch { return false } }

async function turn(on, remember = true) {
  if (remember) keep(on)
  if (on && !sound) sound = new AudioContext()
  if (!on && sound) { await sound.close(); sound = null }
  button.setAttribute("aria-pressed", String(on))
  button.textContent = on ? "Sound is on" : "Sound on"
}

if (window.AudioContext) {
  button.hidden = false
  button.addEventListener("click", async () => {
    await turn(!sound)
    if (sound) { await sound.resume(); tone(880, 0.15) }
    stayAwake()
  })
  if (kept()) {
    turn(true, false)
    // A page that was just loaded may sound only after a touch.
    addEventListener("pointerdown", () => sound?.resume(), { once: true })
  }
}

// ---- the screen ----

let lock = null
async function stayAwake() {
  if (!navigator.wakeLock || document.visibilityState !== "visible" || (lock && !lock.released)) return
  try {
    lock = await navigator.wakeLock.request("screen")
    awake.textContent = "The screen stays on."
  } catch { awake.textContent = "" }
}

document.addEventListener("visibilitychange", () => { stayAwake(); look() })
stayAwake()
setInterval(ring, 100)

// ---- what another device recorded ----

const typing = () => /^(INPUT|SELECT|TEXTAREA)$/.test(document.activeElement?.tagName) || sheet.querySelector("details[open]")

async function look() {
  if (document.visibilityState !== "visible" || typing()) return
  try {
    const answer = await fetch(sheet.dataset.sheet, { headers: { accept: "application/json" } })
    if (answer.ok && (await answer.json()).state !== sheet.dataset.state && !typing()) location.replace(sheet.dataset.sheet)
  } catch { /* the computer may sleep; asked again */ }
}
setInterval(look, 3000)
