// @ts-check
/** The impression from the slides: a form; before it of a covered case nothing else is here. Then the concordance. */

import { get, send } from "./api.js";
import { el, say } from "./dom.js";

const ASKED = { histology: "What do the slides say?", accounts: "Does histology account for the imaging?", sampling: "What was sampled?", timing: "Was the biopsy late enough?", comparable: "Are the scans comparable?" };

/** @param {import("./store.js").Store} store @param {HTMLElement} place @param {boolean} covered */
export async function impressionSection(store, place, covered) {
  const stamp = JSON.stringify([store.doc.impressions.map((/** @type {any} */ r) => r.digest), covered, Boolean(store.doc.measured)]);
  if (place.dataset.stamp === stamp && place.firstChild) return;
  place.dataset.stamp = stamp;
  const form = await get("/api/form");
  const records = store.doc.impressions;
  const current = records[records.length - 1];
  const able = covered || store.doc.state === "measured";
  place.replaceChildren(el("section", { className: "impression", "aria-labelledby": "impression-head" },
    el("h2", { id: "impression-head" }, "Impression from the slides"),
    covered ? el("p", {}, "What imaging says is covered, so that the slides are read first. Record what you see on them; then everything opens.") : "",
    store.doc.impression_fault ? el("p", { className: "why" }, store.doc.impression_fault) : "",
    current ? held(current, form) : "",
    able ? (current ? el("details", {}, el("summary", {}, "Amend the impression, or tick what follows from it"), fields(store, form, current)) : fields(store, form, null)) : el("p", {}, "Measure first (covered, if the slides are to speak first); then the impression can be recorded."),
  ));
}

/** @param {any} record @param {any} form */
function held(record, form) {
  const i = record.impression;
  const rows = [["Reader", i.reader], ["Atypia", i.atypia], ["Mitoses", i.mitoses], ["Atypical mitoses", i.atypical_mitoses], ["Necrosis", i.necrosis], ["Differential", i.differential.join("; ")], ["Confidence", i.confidence], ["Remarks", i.remarks],
    ...i.zones.filter((/** @type {any} */ z) => z.seen || z.tissues.length).map((/** @type {any} */ z) => [`Zone: ${z.zone}`, [z.seen && `seen: ${z.seen}`, ...z.tissues].filter(Boolean).join(", ")]),
    ...i.tests.map((/** @type {any} */ t) => [t.name, `${t.result}${t.note ? `, ${t.note}` : ""}. ${form.tests[t.name] ?? form.tests.other ?? ""}`])].filter((r) => r[1]);
  const c = record.concordance;
  return el("div", {},
    el("p", { className: "quiet" }, `Version ${record.version}, ${record.recorded_at}, ${record.seen}${record.because ? `, because ${record.because}` : ""}. SHA-256 `, el("span", { className: "hash" }, record.digest)),
    el("dl", { className: "facts" }, ...rows.map(([k, v]) => el("div", {}, el("dt", {}, k), el("dd", {}, v)))),
    el("h3", {}, "Concordance"),
    el("p", { className: "quiet" }, `${c.note} ${c.category === "open" ? c.reasons.join(" ") : ""}`),
    el("div", { className: "scroll", tabIndex: 0, role: "region", "aria-label": "Concordance table" }, el("table", { className: "changes" }, el("caption", { className: "aloud" }, "Concordance of slides and imaging"),
      el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Concordance"), el("th", { scope: "col" }, "Options for the team"))),
      el("tbody", {}, ...c.rows.map((/** @type {any} */ r) => el("tr", { className: r.chosen ? "chosen" : "" }, el("th", { scope: "row" }, el("span", { "aria-hidden": "true" }, r.chosen ? "☒ " : "☐ "), el("span", { className: "aloud" }, r.chosen ? "ticked " : "not ticked "), r.label, r.reasons.length ? el("span", { className: "quiet" }, ` ${r.reasons.join("; ")}`) : ""), el("td", {}, r.options.join("; "))))))));
}

/** @param {import("./store.js").Store} store @param {any} form @param {any} current */
function fields(store, form, current) {
  const before = current?.impression ?? {};
  const text = (/** @type {string} */ name, /** @type {string} */ label, value = "", more = {}) => el("div", { className: "field" }, el("label", { for: `i-${name}` }, label), el("input", { type: "text", id: `i-${name}`, name, value, maxLength: 2000, autocomplete: "off", ...more }));
  const choice = (/** @type {string} */ name, /** @type {string} */ label, /** @type {string[]} */ answers, value = "") =>
    el("div", { className: "field" }, el("label", { for: `i-${name}` }, label), el("select", { id: `i-${name}`, name }, ...answers.map((a) => el("option", { value: a, selected: a === value }, a || "–"))));
  const zones = form.zones.map((/** @type {string} */ zone) => {
    const old = (before.zones ?? []).find((/** @type {any} */ z) => z.zone === zone) ?? {};
    return el("div", { className: "row" }, choice(`zone-${zone}`, `Seen: ${zone}`, form.yes_no, old.seen ?? ""), text(`tissue-${zone}`, `Tissues in the ${zone}, separated by commas`, (old.tissues ?? []).join(", ")));
  });
  const tests = el("div", {});
  const addTest = (/** @type {any} */ old = {}) => {
    const n = tests.childElementCount;
    const caveat = el("p", { className: "quiet" }, form.tests[old.name] ?? "");
    const row = el("div", { className: "row test" }, choice(`test-${n}`, "Test", Object.keys(form.tests), old.name ?? ""), choice(`result-${n}`, "Result", form.results, old.result ?? ""), text(`note-${n}`, "Note", old.note ?? ""), caveat);
    const select = row.querySelector("select");
    const tell = () => { if (select) caveat.textContent = form.tests[select.value] ?? ""; };
    select?.addEventListener("change", tell);
    tests.append(row);
    tell();
  };
  for (const t of before.tests ?? []) addTest(t);
  const made = el("form", { className: "impression-form", "aria-label": "Impression", autocomplete: "off" },
    text("reader", "Reader: a role or pseudonym, not a name", before.reader),
    el("div", { className: "row" }, choice("atypia", form.words.atypia, form.atypia, before.atypia), text("mitoses", "Mitoses: count and area, in words", before.mitoses), choice("atypical_mitoses", form.words.atypical_mitoses, form.yes_no, before.atypical_mitoses), choice("necrosis", form.words.necrosis, form.yes_no, before.necrosis)),
    el("fieldset", {}, el("legend", {}, "Zones on the slides"), ...zones),
    el("div", { className: "row" }, text("differential", "Differential, most favoured first, separated by semicolons", (before.differential ?? []).join("; ")), choice("confidence", form.words.confidence, form.confidence, before.confidence)),
    el("fieldset", {}, el("legend", {}, "Ancillary tests"), tests, el("button", { type: "button", onclick: () => addTest() }, "Add a test")),
    el("div", { className: "field" }, el("label", { for: "i-remarks" }, form.words.remarks), el("textarea", { id: "i-remarks", name: "remarks", rows: 3, maxLength: 2000, value: before.remarks ?? "" })),
    current ? el("fieldset", {}, el("legend", {}, "Your own ticks, from which the concordance follows"), el("div", { className: "row" }, ...Object.entries(form.ticks).map(([name, answers]) => choice(`tick-${name}`, ASKED[/** @type {keyof typeof ASKED} */ (name)] ?? name, /** @type {string[]} */ (answers), before.ticks?.[name])))) : "",
    current ? text("because", "Why the impression is amended", "", { required: true }) : "",
    el("button", { type: "submit", className: "main" }, current ? "Record the amendment" : "Record it"),
  );
  made.addEventListener("submit", async (e) => {
    e.preventDefault();
    const data = new FormData(made);
    const of = (/** @type {string} */ name) => String(data.get(name) ?? "").trim();
    const answers = {
      ...Object.fromEntries(["reader", "atypia", "mitoses", "atypical_mitoses", "necrosis", "confidence", "remarks"].map((n) => [n, of(n)])),
      differential: of("differential").split(";").map((t) => t.trim()).filter(Boolean),
      zones: form.zones.map((/** @type {string} */ zone) => ({ zone, seen: of(`zone-${zone}`), tissues: of(`tissue-${zone}`).split(",").map((t) => t.trim()).filter(Boolean) })).filter((/** @type {any} */ z) => z.seen || z.tissues.length),
      tests: [...tests.children].map((_, n) => ({ name: of(`test-${n}`), result: of(`result-${n}`), note: of(`note-${n}`) })),
      ...(current ? { ticks: Object.fromEntries(Object.keys(form.ticks).map((n) => [n, of(`tick-${n}`)])) } : {}),
    };
    await store.tried(async () => {
      store.take(await send(`${store.path}/impression`, { answers, because: of("because") }));
      say("The impression is recorded.");
      await store.load();
    });
  });
  return made;
}
