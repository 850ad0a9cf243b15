// @ts-check
/** The page of one case: its time line, its pictures, what is done with it, and what was measured. */

import { Refused } from "./api.js";
import { biopsyPanel } from "./biopsy.js";
import { candidatesPanel } from "./candidates.js";
import { dropPlace } from "./drop.js";
import { el, say, warn } from "./dom.js";
import { impressionSection } from "./impression.js";
import { numbersSection } from "./numbers.js";
import { rail } from "./rail.js";
import { rimRow } from "./rim.js";
import { Store } from "./store.js";
import { Strip } from "./strip.js";
import { summarySection } from "./summary.js";
import { toolbox } from "./tools.js";

/** @param {string} key @param {(key: string) => void} open */
export function casePage(key, open) {
  const store = new Store(key);
  const strip = new Strip(store);
  const title = el("h1", {}, "…");
  const state = el("p", { className: "lead" });
  const parts = {
    job: el("div", { className: "job", hidden: true }),
    acts: el("div", { className: "acts", role: "toolbar", "aria-label": "What to do" }),
    hint: el("p", { className: "hint", hidden: true, role: "status" }),
    correct: el("div", { className: "acts correct", role: "group", "aria-label": "Correct the outline", hidden: true }),
    asked: el("div", {}),
    rail: el("div", { className: "rail-place" }),
    more: el("div", {}),
    biopsy: el("div", {}),
    impression: el("div", {}),
    summary: el("div", {}),
    given: el("div", {}),
  };
  const page = new CasePage(store, strip, parts, title, state, open);
  const width = new ResizeObserver(() => page.rail());
  width.observe(parts.rail);
  page.begin();
  return {
    head: [title, state],
    body: [parts.acts, parts.correct, parts.hint, parts.job, parts.asked,
      el("section", { className: "history", "aria-label": "History strip" }, parts.rail, strip.element),
      parts.biopsy, parts.impression, parts.summary, parts.more, parts.given],
    leave: () => { width.disconnect(); store.redraw = null; store.listeners.clear(); store.jobListeners.clear(); },
  };
}

class CasePage {
  /** @param {Store} store @param {Strip} strip @param {any} parts @param {HTMLElement} title @param {HTMLElement} state
   * @param {(key: string) => void} open */
  constructor(store, strip, parts, title, state, open) {
    Object.assign(this, { store, strip, parts, title, state, open });
    this.store = store; this.strip = strip; this.parts = parts; this.title = title; this.state = state; this.open = open;
    this.carry = false;
    this.sealed = false;
    this.cutOut = false;
    this.shown = { impression: false, summary: false, correct: false };
    this.day = el("input", { type: "number", id: "biopsy-day", step: "1" });
    this.tools = toolbox(store, () => this.acts());
    this.stamp = "";
    this.tried = new Set();
    /** @type {string | undefined} */ this.events = undefined;
  }

  async begin() {
    this.store.listeners.add(() => this.refresh());
    this.store.jobListeners.add((job) => this.job(job));
    this.store.placeBiopsy = (site) => biopsyPanel(this.store, this.parts.biopsy, site);
    try {
      await this.store.load();
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      warn(error.message);
    }
  }

  refresh() {
    const { doc } = this.store;
    this.title.textContent = doc.alias;
    this.state.textContent = doc.words;
    document.title = `${doc.alias} · mineralize`;
    if (doc.case_fault) warn(doc.case_fault);
    this.acts();
    this.job(doc.job);
    this.rail();
    const covered = doc.state === "covered";
    this.strip.element.hidden = covered || !doc.scans.length;
    if (!covered && doc.scans.length) {
      const stamp = JSON.stringify([doc.scans.map((/** @type {any} */ s) => s.number), doc.first, doc.measured]);
      if (stamp !== this.stamp) { this.stamp = stamp; this.strip.build(); this.lower(); }
      this.strip.schedule();
    }
    candidatesPanel(this.store, this.parts.asked, (scan, at) => this.tools.pointAt(scan, at));
    if (covered || this.shown.impression || doc.impressions.length) impressionSection(this.store, this.parts.impression, covered);
    else this.parts.impression.replaceChildren();
    if (this.shown.summary && doc.measured) summarySection(this.store, this.parts.summary);
    else this.parts.summary.replaceChildren();
    this.given();
    this.next();
  }

  /** What has to be made before anything can be seen is begun without being asked. */
  next() {
    const { doc } = this.store;
    if (doc.state === "covered" || doc.job?.state === "running") return;
    // Days and events stand on the rail as they were read; where events were changed since, they are read again.
    const events = JSON.stringify(doc.given?.table?.event ?? []);
    if (this.events === undefined || doc.looked_version === doc.given?.version) this.events = events;
    else if (events !== this.events && doc.scans.length) {
      this.events = events;
      this.store.start({ do: "glance" });
      return;
    }
    const once = (/** @type {string} */ what) => { if (this.tried.has(what)) return; this.tried.add(what); this.store.start({ do: what }); };
    if (!doc.scans.length || !doc.wholes) once("look");
    else if (!doc.measured && !doc.given?.table?.lesion && !doc.seeds?.length && !doc.candidates) once("candidates");
  }

  acts() {
    const { store, parts } = this;
    const { doc } = store;
    const covered = doc.state === "covered";
    const tool = store.tool?.name;
    const seen = !covered && doc.scans.length > 0;
    const use = (/** @type {any} */ made) => { store.tool = made; this.acts(); this.strip.schedule(); };
    const button = (/** @type {string} */ text, /** @type {() => void} */ act, /** @type {any} */ more = {}) =>
      el("button", { type: "button", onclick: act, ...more }, text);
    const toggled = (/** @type {string} */ text, /** @type {string} */ name, /** @type {() => any} */ make, next = false) =>
      button(text, () => (tool === name ? store.tool.leave() : use(make())), { "aria-pressed": String(tool === name), disabled: !seen, className: next ? "next" : "" });
    const held = document.activeElement instanceof HTMLElement && (parts.acts.contains(document.activeElement) || parts.correct.contains(document.activeElement)) ? document.activeElement.textContent : "";
    parts.acts.replaceChildren(
      toggled("Point at the lesion", "point", this.tools.point, doc.state === "pointless"),
      button("Correct the outline", () => { this.shown.correct = !this.shown.correct; this.acts(); }, { "aria-expanded": String(this.shown.correct), disabled: !seen }),
      el("span", { className: "pair" },
        button("Measure", () => store.start({ do: "measure", sealed: this.sealed }, true), { className: doc.state === "pointed" || (doc.state === "measured" && (!doc.measured || doc.measured.stale)) ? "main" : "", disabled: covered || !seen }),
        el("label", { className: "tick", title: "Cover what is found until an impression of the slides is recorded" }, el("input", { type: "checkbox", checked: this.sealed, disabled: covered, onchange: (/** @type {any} */ e) => { this.sealed = e.target.checked; } }), el("span", {}, "slides first"))),
      toggled("Mark the biopsy", "biopsy", () => this.tools.biopsy(() => this.cutOut, () => this.biopsyDay())),
      button("Record the impression", () => { this.shown.impression = true; this.refresh(); this.goTo(parts.impression); }),
      button("Make the summary", () => this.summary(), { disabled: covered }),
      el("span", { className: "pair end" },
        button("Undo", () => store.step("undo"), { disabled: !doc.given?.undo }),
        button("Redo", () => store.step("redo"), { disabled: !doc.given?.redo })),
    );
    parts.correct.hidden = !this.shown.correct || !seen;
    parts.correct.replaceChildren(
      toggled("The margin runs here", "margin", () => this.tools.margin(() => this.carry)),
      toggled("Draw a contour", "contour", () => this.tools.contour(() => this.carry)),
      toggled("Add mineral", "add", () => this.tools.mineral("add")),
      toggled("Take mineral away", "take", () => this.tools.mineral("take")),
      el("label", { className: "tick" }, el("input", { type: "checkbox", checked: this.carry, onchange: (/** @type {any} */ e) => { this.carry = e.target.checked; } }), el("span", {}, "carry to the other scans")),
      store.tool?.finish ? button(store.tool.finishText, () => store.tool.finish(), { className: "main" }) : "",
    );
    parts.hint.hidden = !store.tool;
    parts.hint.replaceChildren(store.tool?.hint ?? "", ...(tool === "biopsy" ? this.biopsyChoices() : []));
    if (held) for (const b of [...parts.acts.querySelectorAll("button"), ...parts.correct.querySelectorAll("button")]) if (b.textContent === held) b.focus();
  }

  /** How the tissue was taken, and when. @returns {Node[]} */
  biopsyChoices() {
    const box = el("input", { type: "checkbox", checked: this.cutOut, onchange: () => { this.cutOut = box.checked; this.acts(); } });
    return [el("div", { className: "row" },
      el("label", { className: "tick" }, box, el("span", {}, "cut out at one place, without a needle’s way")),
      el("label", { className: "field inline", for: "biopsy-day" }, "Day of the biopsy, counted from day zero (may stay empty) "), this.day)];
  }

  biopsyDay() {
    return this.day.value === "" ? null : Math.round(Number(this.day.value));
  }

  summary() {
    const { doc } = this.store;
    if (!doc.measured) { say("Measure first: the summary is made of what was measured."); warn("Measure first: the summary is made of what was measured."); return; }
    this.shown.summary = true;
    this.refresh();
    this.goTo(this.parts.summary);
  }

  /** @param {HTMLElement} part */
  goTo(part) {
    const head = part.querySelector("h2");
    if (!head) return;
    head.tabIndex = -1;
    head.focus();
    head.scrollIntoView({ block: "start", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
  }

  /** @param {any} job */
  job(job) {
    const { parts, store } = this;
    const running = job?.state === "running";
    parts.job.hidden = !running;
    if (running) {
      const told = `${JOBS[/** @type {keyof typeof JOBS} */ (job.what)] ?? job.what}: ${job.stage || "beginning"}`;
      let bar = parts.job.querySelector("progress");
      if (!bar) {
        bar = el("progress", { "aria-label": "Progress" });
        parts.job.replaceChildren(el("p", { role: "status" }, told), bar, el("button", { type: "button", onclick: () => store.tried(() => store.cancel()) }, "Cancel"));
      }
      const words = parts.job.querySelector("p");
      if (words && words.textContent !== told) words.textContent = told;
      if (job.total > 0) { bar.max = job.total; bar.value = job.done; } else bar.removeAttribute("value");
      return;
    }
    parts.job.replaceChildren();
    if (!job || job.number === this.lastJob) return;
    this.lastJob = job.number;
    if (job.state === "failed" && job.kind !== "LesionNeeded") warn(job.text);
    else if (job.state === "failed") say("Several structures could be the lesion: choose one below, or point at it.");
    else if (job.state === "cancelled") say("Stopped; nothing was written.");
    else if (job.what === "measure") say("Measured.");
    else if (job.what === "outline") say(job.result.why_not || "The outline is drawn.");
  }

  rail() {
    const { doc } = this.store;
    const place = this.parts.rail;
    if (!doc?.scans?.length || !place.clientWidth) { place.replaceChildren(); return; }
    const gutter = doc.state === "covered" ? 0 : parseFloat(getComputedStyle(document.documentElement).getPropertyValue("--gutter")) || 0;
    const wide = Math.max(place.clientWidth, doc.state === "covered" ? 0 : gutter + doc.scans.length * LEAST_COLUMN);
    place.parentElement?.style.setProperty("--scans", String(doc.scans.length));
    document.documentElement.style.setProperty("--scans", String(doc.scans.length));
    place.replaceChildren(rail(doc, gutter, wide));
  }

  /** What hangs below the pictures: the rim unwrapped, tables, courses. */
  async lower() {
    const { store, parts } = this;
    if (!store.doc.measured) { parts.more.replaceChildren(); return; }
    const numbers = el("section", { "aria-label": "Numbers" });
    parts.more.replaceChildren(numbers);
    await store.tried(async () => {
      await rimRow(store, this.strip);
      await numbersSection(store, numbers);
    });
  }

  /** What case.toml says, with a way to take each thing back, and a place for a later scan. */
  given() {
    const { store, parts } = this;
    const { doc } = store;
    if (doc.state === "covered") { parts.given.replaceChildren(); return; }
    const table = doc.given?.table ?? {};
    const items = [];
    for (const what of ["margin", "contour", "mineral", "biopsy", "event"]) {
      for (const [n, item] of (table[what] ?? []).entries()) {
        const words = `${WHAT[/** @type {keyof typeof WHAT} */ (what)]} ${n + 1}${item.scan ? `, scan ${item.scan}` : ""}${item.kind ? `, ${item.kind}` : ""}${item.act ? `, ${item.act}` : ""}${item.carry ? ", carried to the others" : ""}`;
        items.push(el("li", {}, words, " ", el("button", { type: "button", className: "quietly", "aria-label": `Remove ${words}`, onclick: () => store.act({ do: "remove", what, number: n + 1 }) }, "Remove")));
      }
    }
    for (const offer of doc.offers ?? []) {
      const take = (/** @type {boolean} */ outline) => store.act({ do: "drawn", number: offer.number, outline });
      items.push(el("li", {}, `Drawn elsewhere: ${offer.kind} in scan ${offer.scan}${offer.volume_mm3 ? `, ${(offer.volume_mm3 / 1000).toFixed(1)} cm³` : ""} `,
        offer.region ? el("button", { type: "button", onclick: () => take(true) }, "Use it as the outline") : "", " ", el("button", { type: "button", onclick: () => take(false) }, "Use its place only")));
    }
    const kind = el("select", { id: "event-kind" }, ...["injury", "biopsy", "excision", "treatment", "other"].map((k) => el("option", { value: k }, k)));
    const day = el("input", { type: "number", step: "1", id: "event-day" });
    const text = el("input", { type: "text", maxLength: 200, id: "event-text" });
    parts.given.replaceChildren(
      el("section", { "aria-labelledby": "given-head", className: "given" },
        el("h2", { id: "given-head" }, "What you have marked"),
        items.length ? el("ul", { className: "marked" }, ...items) : el("p", { className: "quiet" }, "Nothing yet. Everything you mark is kept in case.toml in the folder of the case."),
        el("details", {}, el("summary", {}, "Add an event to the time line"),
          el("form", { className: "row", onsubmit: (/** @type {Event} */ e) => { e.preventDefault(); store.act({ do: "event", kind: kind.value, day: Math.round(Number(day.value)), text: text.value }); } },
            el("label", { for: "event-kind" }, "What"), kind, el("label", { for: "event-day" }, "Day, counted from day zero"), day, el("label", { for: "event-text" }, "In words (may stay empty)"), text,
            el("button", { type: "submit" }, "Add the event"))),
        el("details", {}, el("summary", {}, "Add a later scan, or regions drawn elsewhere"),
          dropPlace({ text: "Drop a further scan of this person here, or a DICOM segmentation or contour set of one that is here already.", into: store.key, alias: () => "", done: () => { this.tried.clear(); store.tried(() => store.load()); } }))),
    );
  }
}

const LEAST_COLUMN = 150;
const JOBS = { glance: "Reading", look: "Reading the scans", candidates: "Looking for the lesion", outline: "Drawing the outline", measure: "Measuring", biopsy: "Placing the biopsy" };
const WHAT = { margin: "Margin", contour: "Contour", mineral: "Mineral", biopsy: "Biopsy", event: "Event" };
