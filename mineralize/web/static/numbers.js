// @ts-check
/** What was measured, in columns under the scans: table, course over the same days, profiles, changes, findings. */

import { get } from "./api.js";
import { el, svg } from "./dom.js";

const SIGNS = { ok: "●", caution: "◐", withheld: "○" };

/** @param {import("./store.js").Store} store @param {HTMLElement} place */
export async function numbersSection(store, place) {
  const told = await get(`${store.path}/numbers`);
  const stale = store.doc.measured.stale;
  place.replaceChildren(
    el("h2", {}, "What was measured"),
    stale ? el("p", { className: "why" }, "These numbers were measured before your last changes. Measure again to renew them.") : "",
    course(told, store.doc),
    table(told),
    profiles(told),
    changes(told),
    el("h3", {}, "Findings and what they rest on"),
    told.findings.length ? el("ul", { className: "findings" }, ...told.findings.map((/** @type {any} */ f) => el("li", {}, sign(f.trust), ` ${f.text} `, el("span", { className: "quiet" }, (f.sources ?? []).join("; "))))) : el("p", {}, "No statement was derived."),
  );
}

/** @param {string} trust */
function sign(trust) {
  const words = { ok: "trusted", caution: "caution", withheld: "withheld" }[trust] ?? trust;
  return el("span", { className: `trust ${trust}`, title: words }, el("span", { "aria-hidden": "true" }, SIGNS[/** @type {keyof typeof SIGNS} */ (trust)] ?? ""), el("span", { className: "aloud" }, ` ${words} `));
}

/** @param {any} told */
function table(told) {
  const reasons = new Map();
  const note = (/** @type {string} */ reason) => {
    if (!reasons.has(reason)) reasons.set(reason, reasons.size + 1);
    const n = reasons.get(reason);
    return el("a", { className: "foot", href: `#why-${n}` }, el("span", { className: "aloud" }, "reason "), String(n));
  };
  const cell = (/** @type {any} */ c) => {
    if (!c) return el("td", { className: "quiet" }, "–");
    if (c.trust === "withheld") return el("td", {}, sign("withheld"), " withheld", note(c.reason));
    return el("td", {}, el("span", { className: "value" }, c.text), " ", sign(c.trust), c.trust === "caution" ? note(c.reason) : "", c.interval ? el("span", { className: "interval" }, c.interval) : "");
  };
  const made = el("table", { className: "numbers" },
    el("caption", { className: "aloud" }, "Quantities by scan, with interval and trust"),
    el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Quantity"), ...told.scans.map((/** @type {any} */ s) => el("th", { scope: "col" }, `Day ${s.day}`, el("span", { className: "quiet" }, ` scan ${s.number}`))))),
    ...told.groups.map((/** @type {any} */ g) => el("tbody", {},
      el("tr", { className: "group" }, el("th", { scope: "rowgroup", colSpan: told.scans.length + 1 }, g.title)),
      ...g.rows.map((/** @type {any} */ r) => el("tr", { "data-quantity": r.quantity }, el("th", { scope: "row", title: r.meaning }, r.title, r.unit ? el("span", { className: "quiet" }, ` ${r.unit}`) : ""), ...r.cells.map(cell))))),
  );
  const list = el("ol", { className: "reasons" }, ...[...reasons].map(([reason, n]) => el("li", { id: `why-${n}` }, reason)));
  return el("div", {}, el("div", { className: "scroll", tabIndex: 0, role: "region", "aria-label": "Table of quantities" }, made), list.childElementCount ? el("div", {}, el("h3", {}, "Reasons"), list) : "");
}

/** One quantity over the days of the rail. @param {any} told @param {any} doc */
function course(told, doc) {
  const rows = told.groups.flatMap((/** @type {any} */ g) => g.rows);
  const place = el("div", { className: "course" });
  const draw = (/** @type {string} */ quantity) => {
    const row = rows.find((/** @type {any} */ r) => r.quantity === quantity);
    if (row) place.replaceChildren(chart(row, told.scans, doc));
  };
  const known = ["mineral_mass", "lesion_volume", "rim_completeness"].filter((q) => rows.some((/** @type {any} */ r) => r.quantity === q));
  const select = el("select", { id: "course-of", onchange: () => draw(select.value) }, ...rows.map((/** @type {any} */ r) => el("option", { value: r.quantity }, r.title)));
  if (known[0]) select.value = known[0];
  draw(select.value);
  return el("div", {}, el("h3", {}, el("label", { for: "course-of" }, "Course of "), select), place);
}

/** @param {any} row @param {any[]} scans @param {any} doc */
function chart(row, scans, doc) {
  const wide = 900, high = 190, left = 70, right = 24, top = 16, bottom = 30;
  const days = [...scans.map((s) => s.day), ...doc.events.map((/** @type {any} */ e) => e.day)];
  const low = Math.min(...days), span = Math.max(...days) - low || 1;
  const x = (/** @type {number} */ d) => left + ((d - low) / span) * (wide - left - right);
  const values = row.cells.flatMap((/** @type {any} */ c) => (c && c.value !== null ? [c.value, c.low ?? c.value, c.high ?? c.value] : []));
  const made = svg("svg", { viewBox: `0 0 ${wide} ${high}`, class: "chart", role: "img", "aria-label": `Course of ${row.title} over days; the values are in the table` });
  if (!values.length) { made.append(svg("text", { x: wide / 2, y: high / 2, "text-anchor": "middle", class: "quiet" }, "withheld in every scan")); return made; }
  const least = Math.min(0, ...values), most = Math.max(...values) || 1;
  const y = (/** @type {number} */ v) => high - bottom - ((v - least) / (most - least || 1)) * (high - top - bottom);
  for (const v of [least, (least + most) / 2, most]) made.append(svg("line", { x1: left, x2: wide - right, y1: y(v), y2: y(v), class: "grid" }), svg("text", { x: left - 8, y: y(v) + 4, "text-anchor": "end", class: "quiet" }, short(v)));
  for (const e of doc.events) made.append(svg("line", { x1: x(e.day), x2: x(e.day), y1: top, y2: high - bottom, class: "flagpole" }));
  const points = scans.map((s, i) => ({ day: s.day, c: row.cells[i] })).filter((p) => p.c && p.c.value !== null);
  made.append(svg("polyline", { points: points.map((p) => `${x(p.day)},${y(p.c.value)}`).join(" "), class: "path" }));
  for (const p of points) {
    if (p.c.low !== null && p.c.high !== null) made.append(svg("line", { x1: x(p.day), x2: x(p.day), y1: y(p.c.low), y2: y(p.c.high), class: "whisker" }));
    made.append(svg("circle", { cx: x(p.day), cy: y(p.c.value), r: 5, class: p.c.trust === "ok" ? "dot" : "dot open" }));
  }
  for (const [i, s] of scans.entries()) {
    if (row.cells[i]?.value == null) made.append(svg("text", { x: x(s.day), y: high - bottom + 1, "text-anchor": "middle", class: "gone" }, "×"));
    made.append(svg("text", { x: x(s.day), y: high - 10, "text-anchor": "middle", class: "quiet" }, `day ${s.day}`));
  }
  return made;
}

/** @param {number} v */
function short(v) {
  const size = Math.abs(v);
  return size >= 1000 ? `${(v / 1000).toFixed(size >= 10000 ? 0 : 1)}k` : size >= 10 || v === 0 ? v.toFixed(0) : v.toFixed(2);
}

/** Attenuation from the outline inwards, one small plot per scan, all on one scale. @param {any} told */
function profiles(told) {
  if (!told.profiles.length) return "";
  const all = told.profiles.flatMap((/** @type {any} */ p) => p.hu120_mean.filter((/** @type {any} */ v) => v !== null));
  const least = Math.min(-100, ...all), most = Math.max(200, ...all);
  const deep = Math.max(...told.profiles.map((/** @type {any} */ p) => p.inradius_mm));
  const one = (/** @type {any} */ s) => {
    const p = told.profiles.find((/** @type {any} */ q) => q.scan === s.number);
    if (!p) return el("div", { className: "column quiet" }, "withheld");
    const x = (/** @type {number} */ d) => 34 + ((d + 3) / (deep + 3)) * 160, y = (/** @type {number} */ v) => 100 - ((v - least) / (most - least)) * 90;
    const seen = p.depth_mm.map((/** @type {number} */ d, /** @type {number} */ i) => [d, p.hu120_mean[i], p.hu120_low[i], p.hu120_high[i]]).filter((/** @type {any[]} */ q) => q[0] >= -3 && q[1] !== null);
    const made = svg("svg", { viewBox: "0 0 200 126", class: "chart", role: "img", "aria-label": `Attenuation against depth below the outline, scan ${s.number}` });
    made.append(svg("line", { x1: x(0), x2: x(0), y1: 8, y2: 100, class: "grid" }), svg("line", { x1: 34, x2: 196, y1: y(0), y2: y(0), class: "grid" }));
    const band = seen.filter((/** @type {any[]} */ q) => q[2] !== null && q[3] !== null);
    made.append(svg("polygon", { points: [...band.map((/** @type {any[]} */ q) => `${x(q[0])},${y(q[2])}`), ...band.reverse().map((/** @type {any[]} */ q) => `${x(q[0])},${y(q[3])}`)].join(" "), class: "band" }));
    made.append(svg("polyline", { points: seen.map((/** @type {any[]} */ q) => `${x(q[0])},${y(q[1])}`).join(" "), class: "path" }));
    made.append(svg("text", { x: 30, y: y(most) + 8, "text-anchor": "end", class: "quiet" }, String(Math.round(most))), svg("text", { x: 30, y: y(0) + 4, "text-anchor": "end", class: "quiet" }, "0"),
      svg("text", { x: x(0), y: 114, "text-anchor": "middle", class: "quiet" }, "outline"), svg("text", { x: 196, y: 114, "text-anchor": "end", class: "quiet" }, `${Math.round(deep)} mm deep`));
    return el("div", { className: "column" }, made);
  };
  return el("div", { className: "scroll", tabIndex: 0, role: "region", "aria-label": "Profiles by depth" }, el("div", { className: "columns" }, el("div", { className: "gutter" }, el("h3", {}, "From the outline to the centre"), el("p", { className: "quiet" }, "HU at 120 kVp; the band is the spread at equal depth.")), ...told.scans.map(one)));
}

/** @param {any} told */
function changes(told) {
  const first = told.scans[0]?.number, last = told.scans[told.scans.length - 1]?.number;
  const rows = told.changes.filter((/** @type {any} */ c) => c.from === first && c.to === last);
  if (!rows.length) return "";
  return el("div", {}, el("h3", {}, `What changed from day ${told.scans[0].day} to day ${told.scans[told.scans.length - 1].day}`),
    el("p", { className: "quiet" }, told.words.verdicts),
    el("div", { className: "scroll", tabIndex: 0, role: "region", "aria-label": "Table of changes" }, el("table", { className: "changes" },
      el("caption", { className: "aloud" }, "Changes from the first to the last scan"),
      el("thead", {}, el("tr", {}, ...["Quantity", "Difference", "Verdict"].map((t) => el("th", { scope: "col" }, t)))),
      el("tbody", {}, ...rows.map((/** @type {any} */ c) => el("tr", {}, el("th", { scope: "row" }, c.title), el("td", {}, c.text || "withheld"), el("td", {}, el("b", { className: c.real }, c.verdict), c.reason ? el("span", { className: "quiet" }, ` ${c.reason}`) : "")))))));
}
