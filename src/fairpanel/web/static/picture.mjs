// Outlines in a picture: dragged, turned and resized by mouse, touch and keyboard; the numbers follow.

const look = document.querySelector("[data-picture]")
if (look) begin(look)

function begin(look) {
  const address = look.dataset.picture
  const svg = look.querySelector("svg")
  const state = look.querySelector("[data-state]")
  const chosen = svg.querySelector(".strip.chosen")
  const corners = look.querySelector("input[name=corners]")
  const back = look.querySelector("[data-back]")

  // ---- numbers ------------------------------------------------------------------------------------------------

  function show(data) {
    for (const strip of data.strips) {
      const line = look.querySelector(`[data-line="${CSS.escape(strip.key)}"]`)
      const drawn = svg.querySelector(`[data-strip="${CSS.escape(strip.key)}"]`)
      if (line) {
        line.querySelector("[data-number]").textContent = strip.label
        line.querySelector("[data-refused]").textContent = strip.label ? "" : strip.refused
        const flags = line.querySelector("[data-flags]")
        flags.textContent = strip.flags.join(" ")
      }
      if (drawn) {
        for (const [k, part] of ["value", "range", "doubt"].entries()) drawn.querySelector(`[data-${part}]`).textContent = strip.short[k]
        drawn.setAttribute("aria-label", `${strip.name}: ${strip.label || "named"}`)
        if (!moving && !(drawn === chosen && changed)) place(drawn, strip)
      }
      if (drawn && drawn === chosen) {
        const number = look.querySelector("[data-chosen-number]")
        if (number) number.textContent = strip.label
        const refused = look.querySelector("[data-chosen-refused]")
        if (refused) refused.textContent = strip.label ? "" : strip.refused
      }
    }
  }

  function place(drawn, strip) {
    if (strip.outline) setPoints(drawn.querySelector(".outline"), strip.outline)
    for (const [row, polygon] of Object.entries(strip.patches)) {
      let patch = drawn.querySelector(`[data-row="${CSS.escape(row)}"]`)
      if (!patch) {
        patch = make("polygon", { class: "patch", "data-row": row })
        drawn.querySelector("text").before(patch)
      }
      setPoints(patch, polygon)
    }
    words(drawn)
    if (drawn === chosen) handles()
  }

  function words(drawn) {
    const text = drawn.querySelector("text"), size = Math.max(svg.viewBox.baseVal.width / 62, 10.5 * scale())
    text.setAttribute("font-size", size)
    const corners = points(drawn.querySelector(".outline"))
    const x = Math.min(...corners.map(p => p[0])) + 0.3 * size
    text.setAttribute("y", Math.min(...corners.map(p => p[1])) + 0.2 * size)
    for (const line of [text, ...text.children]) line.setAttribute("x", x)
  }

  async function ask(path, fields) {
    const options = { headers: { accept: "application/json" } }
    if (fields) Object.assign(options, { method: "POST", body: new URLSearchParams(fields) })
    const answer = await fetch(address + path, options)
    const data = await answer.json()
    if (!answer.ok) throw new Error(data.error)
    return data
  }

  async function wait() {
    try {
      const data = await ask("")
      if (data.pending) return setTimeout(wait, 500)
      show(data)
      state.textContent = "All pictures are read."
    } catch { setTimeout(wait, 2000) }
  }

  // ---- moving -------------------------------------------------------------------------------------------------

  let moving = false
  let changed = 0 // moves that are not saved yet
  let start = null
  let reading = 0

  const which = look.querySelector("[data-which]")
  const outline = () => chosen.querySelector(".outline")
  const patches = () => [...chosen.querySelectorAll(".patch")]

  function taking() {
    const own = patches()
    if (!own.length) return [outline()]
    return which?.value ? own.filter(p => p.dataset.row === which.value) : own
  }

  const frame = () => which?.value ? points(taking()[0]) : points(outline())

  function apply(change, from) {
    for (const [element, before] of from) setPoints(element, before.map(change))
    handles()
  }

  function grasp() {
    const own = new Set([...taking(), ...(which?.value ? [] : [outline()])])
    return [...own].map(element => [element, points(element)])
  }

  function axes() {
    const [a, b, , d] = frame()
    const along = unit(minus(b, a)), across = unit(minus(d, a))
    return length(minus(b, a)) >= length(minus(d, a)) ? { along, across } : { along: across, across: along }
  }

  function scaled(fixed, axis, factor) {
    return p => { const s = dot(minus(p, fixed), axis) * (factor - 1); return [p[0] + s * axis[0], p[1] + s * axis[1]] }
  }

  function turned(middle, angle) {
    const c = Math.cos(angle), s = Math.sin(angle)
    return p => { const [x, y] = minus(p, middle); return [middle[0] + c * x - s * y, middle[1] + s * x + c * y] }
  }

  let saving = 0
  function settle(soon) {
    changed += 1
    clearTimeout(saving)
    saving = setTimeout(save, soon)
  }

  async function save() {
    const own = patches()
    if (!own.length) {
      corners.value = points(outline()).flat().map(v => v.toFixed(1)).join(" ")
      state.textContent = "Placed. It is kept when you save what it is."
      return
    }
    const saved = changed
    const polygons = Object.fromEntries(taking().map(p => [p.dataset.row, points(p)]))
    await follow("/move", { polygons: JSON.stringify(polygons) }, () => { if (changed === saved) changed = 0 })
  }

  async function follow(path, fields, answered = () => {}) {
    try {
      state.textContent = "Measuring."
      const data = await ask(path, fields)
      answered()
      show(data)
      state.textContent = "Numbers from this picture alone; the whole bench is read as soon as you pause."
      if (back) back.disabled = false
      clearTimeout(reading)
      reading = setTimeout(async () => { await ask("/read", {}); wait() }, 2500)
    } catch (problem) {
      state.textContent = problem.message
      changed = 0
      show(await ask(""))
    }
  }

  // ---- handles ------------------------------------------------------------------------------------------------

  // Before it is laid out, and while the page is left, the drawing has no width yet: told again once it has.
  function scale() { return svg.viewBox.baseVal.width / (svg.getBoundingClientRect().width || svg.viewBox.baseVal.width) }

  function handles() {
    for (const old of svg.querySelectorAll(".handle, .stalk")) old.remove()
    const quad = frame(), r = 9 * scale(), middle = mean(quad)
    const { along, across } = axes()
    const knob = knobAt(quad, middle, along, across, r)
    svg.append(make("line", { class: "stalk", x1: middle[0], y1: middle[1], x2: knob[0], y2: knob[1] }))
    quad.forEach((corner, k) => { // beyond its corner: a narrow strip stays to be seen
      const p = [0, 1].map(i => corner[i] + r * (along[i] * Math.sign(dot(minus(corner, middle), along)) + across[i] * Math.sign(dot(minus(corner, middle), across))))
      svg.append(make("rect", { class: "handle", "data-corner": k, x: p[0] - r, y: p[1] - r, width: 2 * r, height: 2 * r }))
    })
    svg.append(make("circle", { class: "handle", "data-turn": "", cx: knob[0], cy: knob[1], r: 1.3 * r }))
  }

  // Beyond an end of the strip rather than beside it, where its neighbours lie; the first place that is in the picture.
  function knobAt(quad, middle, along, across, r) {
    const { width, height } = svg.viewBox.baseVal, up = along[1] > 0 ? -1 : 1
    const places = [[along, up], [along, -up], [across, -1], [across, 1]].map(([axis, way]) => {
      const reach = way * (Math.max(...quad.map(p => Math.abs(dot(minus(p, middle), axis)))) + 4 * r)
      return [middle[0] + axis[0] * reach, middle[1] + axis[1] * reach]
    })
    return places.find(p => p[0] > r && p[1] > r && p[0] < width - r && p[1] < height - r) ?? places[0]
  }

  function at(event) {
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse())
    return [p.x, p.y]
  }

  function down(event) {
    const on = event.target
    if (!chosen.contains(on) && !on.classList.contains("handle")) return
    event.preventDefault()
    svg.setPointerCapture(event.pointerId)
    clearTimeout(saving)
    start = { from: grasp(), quad: frame(), axes: axes(), at: at(event), corner: on.dataset.corner, turn: "turn" in on.dataset, moved: false }
    moving = true
  }

  function move(event) {
    if (!start) return
    const now = at(event), by = minus(now, start.at)
    if (!start.moved && length(by) < 3 * scale()) return
    start.moved = true
    apply(changeOf(now, by), start.from)
  }

  function changeOf(now, by) {
    const middle = mean(start.quad)
    if (start.turn) return turned(middle, angle(minus(now, middle)) - angle(minus(start.at, middle)))
    if (start.corner === undefined) return p => [p[0] + by[0], p[1] + by[1]]
    const fixed = start.quad[(Number(start.corner) + 2) % 4], held = start.quad[Number(start.corner)]
    const { along, across } = start.axes
    const factor = axis => Math.max(0.1, dot(minus(now, fixed), axis) / dot(minus(held, fixed), axis))
    const one = scaled(fixed, along, factor(along)), two = scaled(fixed, across, factor(across))
    return p => two(one(p))
  }

  function up() {
    if (!start) return
    const { moved } = start
    start = null
    moving = false
    if (moved) settle(0)
  }

  const steps = {
    left: s => p => [p[0] - s, p[1]], right: s => p => [p[0] + s, p[1]],
    up: s => p => [p[0], p[1] - s], down: s => p => [p[0], p[1] + s],
    "turn-left": () => turned(mean(frame()), -Math.PI / 180), "turn-right": () => turned(mean(frame()), Math.PI / 180),
    longer: () => scaled(mean(frame()), axes().along, 1.03), shorter: () => scaled(mean(frame()), axes().along, 1 / 1.03),
    wider: () => scaled(mean(frame()), axes().across, 1.03), narrower: () => scaled(mean(frame()), axes().across, 1 / 1.03),
  }
  const keys = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", "[": "turn-left", "]": "turn-right",
    "+": "longer", "-": "shorter", ">": "wider", "<": "narrower" }

  function step(name, big) {
    apply(steps[name](Math.max(1, scale()) * (big ? 10 : 1)), grasp())
    settle(400)
  }

  if (chosen) {
    handles()
    svg.addEventListener("pointerdown", down)
    svg.addEventListener("pointermove", move)
    svg.addEventListener("pointerup", up)
    svg.addEventListener("pointercancel", up)
    chosen.addEventListener("click", event => event.preventDefault())
    chosen.addEventListener("dragstart", event => event.preventDefault())
    chosen.addEventListener("keydown", event => {
      if (!(event.key in keys) || event.ctrlKey || event.metaKey || event.altKey) return
      event.preventDefault()
      step(keys[event.key], event.shiftKey)
    })
    for (const button of look.querySelectorAll("[data-do]")) button.addEventListener("click", () => step(button.dataset.do, false))
    which?.addEventListener("change", handles)
  }
  new ResizeObserver(() => {
    if (chosen) handles()
    for (const drawn of svg.querySelectorAll(".strip")) words(drawn)
  }).observe(svg)
  back?.form.addEventListener("submit", event => { event.preventDefault(); follow("/back", {}) })
  if ("pending" in look.dataset) wait()
}

// ---- geometry ---------------------------------------------------------------------------------------------------

function points(polygon) { return polygon.getAttribute("points").trim().split(/\s+/).map(p => p.split(",").map(Number)) }
function setPoints(polygon, list) { polygon.setAttribute("points", list.map(p => `${p[0].toFixed(1)},${p[1].toFixed(1)}`).join(" ")) }
function minus(p, q) { return [p[0] - q[0], p[1] - q[1]] }
function dot(p, q) { return p[0] * q[0] + p[1] * q[1] }
function length(p) { return Math.hypot(p[0], p[1]) }
function unit(p) { const l = length(p) || 1; return [p[0] / l, p[1] / l] }
function angle(p) { return Math.atan2(p[1], p[0]) }
function mean(list) { return [list.reduce((s, p) => s + p[0], 0) / list.length, list.reduce((s, p) => s + p[1], 0) / list.length] }

function make(name, attributes) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name)
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value)
  return element
}
