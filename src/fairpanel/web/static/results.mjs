// Filters and orders the table at once. Without it the same form asks the server.
// The page holds what was asked for when it was loaded; if that was not everything, the server is asked for all.

const form = document.querySelector(".ask");
const status = document.querySelector("[data-count]");
const none = document.querySelector("[data-none]");
const fields = Object.fromEntries(["words", "finding", "doubts", "order"].map((name) => [name, form.elements[name]]));
const groups = [...document.querySelectorAll("[data-group]")].map((part) => ({
  part,
  size: part.querySelector("[data-size]"),
  list: part.querySelector("ul"),
  rows: [...part.querySelectorAll("li.row")],
}));
const all = Number(status.dataset.count);
const whole = groups.reduce((sum, group) => sum + group.rows.length, 0) === all;
let order = fields.order.value;

const compared = (by_what) => (one, other) => {
  const by = by_what === "name" ? 0 : Number(one.dataset[by_what]) - Number(other.dataset[by_what]);
  return by || one.dataset.name.localeCompare(other.dataset.name);
};

function show() {
  const words = fields.words.value.toLowerCase().split(/\s+/).filter(Boolean);
  const doubts = fields.doubts.value;
  let shown = 0;
  for (const { part, size, list, rows } of groups) {
    const wanted = !fields.finding.value || fields.finding.value === part.dataset.group;
    let here = 0;
    for (const row of rows) {
      const fits = wanted && words.every((w) => row.dataset.name.includes(w)) &&
        (!doubts || (doubts === "yes") === ("doubts" in row.dataset));
      row.hidden = !fits;
      here += fits;
    }
    if (order !== fields.order.value) list.append(...rows.sort(compared(fields.order.value)));
    part.hidden = !here;
    size.textContent = here;
    shown += here;
  }
  order = fields.order.value;
  none.hidden = shown > 0;
  status.textContent = `${shown} of ${all} ${all === 1 ? "result" : "results"} shown.`;
  const asked = new URLSearchParams(Object.entries(fields).map(([name, field]) => [name, field.value]));
  for (const [name, value] of [...asked]) if (!value || (name === "order" && value === "name")) asked.delete(name);
  history.replaceState(null, "", asked.size ? `?${asked}` : location.pathname);
}

if (whole) {
  form.querySelector("button").hidden = true;
  form.addEventListener("input", show);
  form.addEventListener("submit", (event) => event.preventDefault());
}

// Two products to be put side by side: the button says what is missing.
const button = document.querySelector("[data-pair]");
const chosen = document.querySelector("[data-chosen]");

function tell() {
  const ticked = [...document.querySelectorAll("input[name=of]:checked")];
  const names = ticked.map((box) => box.closest("li").querySelector("a").textContent);
  button.disabled = ticked.length !== 2;
  chosen.textContent = ticked.length === 2 ? `${names[0]} and ${names[1]}`
    : ticked.length === 1 ? `${names[0]} and one more` : ticked.length ? "Only two at a time." : "Tick two products, then press.";
}

button.closest("form").addEventListener("change", tell);
tell();
