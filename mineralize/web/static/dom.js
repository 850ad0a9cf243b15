// @ts-check
/** Elements made without markup strings: text stays text, whatever it holds. */

/** @typedef {Record<string, any>} Props */

/**
 * An element with properties, attributes (`aria-…`, `role`, `for`), listeners (`onclick`) and children.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Props} [props]
 * @param {...(Node | string | null | undefined | false)} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function el(tag, props = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name.includes("-") || name === "role" || name === "for" || name === "scope") made.setAttribute(name, String(value));
    else Reflect.set(made, name, value);
  }
  made.append(...held(children));
  return made;
}

/**
 * An SVG element with attributes and children.
 * @param {string} tag
 * @param {Props} [attributes]
 * @param {...(Node | string | null | undefined | false)} children
 * @returns {SVGElement}
 */
export function svg(tag, attributes = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== undefined && value !== null) made.setAttribute(name, String(value));
  }
  made.append(...held(children));
  return made;
}

/** @param {(Node | string | null | undefined | false)[]} children @returns {(Node | string)[]} */
function held(children) {
  return /** @type {(Node | string)[]} */ (children.filter((c) => c !== null && c !== undefined && c !== false && c !== ""));
}

/** A message stays at least so long (ms) before what the person does next takes it away. */
const READ_MS = 2500;
let saidAt = 0;

/** Said politely to who listens, and shown until the person goes on; it would cover what lies below it.
 * @param {string} text */
export function say(text) {
  const place = document.getElementById("said");
  saidAt = Date.now();
  if (place && place.textContent !== text) place.textContent = text;
}

for (const went of ["pointerdown", "keydown", "wheel"]) {
  addEventListener(went, () => { if (Date.now() - saidAt > READ_MS) say(""); }, { passive: true });
}

/** Said at once, and shown until dismissed or replaced. @param {string} text */
export function warn(text) {
  const place = document.getElementById("warned");
  if (!place) return;
  place.replaceChildren();
  if (text) place.append(el("p", {}, text), el("button", { type: "button", onclick: () => warn("") }, "Close this message"));
}

/** A labelled choice among few. @param {string} legend @param {{value: string, text: string, title?: string}[]} options
 * @param {string} chosen @param {(value: string) => void} take @param {string} [name] */
export function choices(legend, options, chosen, take, name = legend) {
  const key = `c-${name.replace(/\W+/g, "-")}`;
  return el(
    "fieldset",
    { className: "choices" },
    el("legend", {}, legend),
    ...options.map((o) =>
      el(
        "label",
        { title: o.title },
        el("input", { type: "radio", name: key, value: o.value, checked: o.value === chosen, onchange: () => take(o.value) }),
        el("span", {}, o.text),
      ),
    ),
  );
}

/** Day of today as the case file takes it, by the clock of this machine. */
export function today() {
  const now = new Date();
  const two = (/** @type {number} */ n) => String(n).padStart(2, "0");
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}
