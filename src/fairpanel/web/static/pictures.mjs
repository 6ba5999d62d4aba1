// Pictures dropped onto the page go into the file field, and on their way at once.

for (const form of document.querySelectorAll("[data-drop]")) {
  const field = form.querySelector("input[type=file]")
  const told = form.querySelector("[data-told]")

  const send = () => {
    if (!field.files.length) return
    told.textContent = field.files.length === 1 ? "1 picture is on its way." : `${field.files.length} pictures are on their way.`
    form.requestSubmit()
  }
  field.addEventListener("change", send)

  let inside = 0
  const mark = by => form.classList.toggle("over", (inside = Math.max(0, inside + by)) > 0)
  form.addEventListener("dragenter", event => { event.preventDefault(); mark(1) })
  form.addEventListener("dragleave", () => mark(-1))
  form.addEventListener("dragover", event => event.preventDefault())
  form.addEventListener("drop", event => {
    event.preventDefault()
    inside = 0
    mark(0)
    field.files = event.dataTransfer.files
    send()
  })
}
