// @ts-check
/** The time rail: days to scale, scans as beads on it, events above, and a thread from each scan to its column. */

import { el, svg } from "./dom.js";

const EVENT_WORDS = { injury: "injury", biopsy: "biopsy", excision: "cut out", treatment: "treatment", other: "event" };

/** Pixels that a letter of a label takes, at most. */
const LETTER = 6.9;

/** @param {{scans: {number: number, day: number}[], events: {day: number, kind: string, text: string}[], day_zero?: string}} told */
function span(told) {
  const days = [...told.scans.map((s) => s.day), ...told.events.map((e) => e.day), told.day_zero === "onset" ? 0 : told.scans[0]?.day ?? 0];
  const low = Math.min(...days), high = Math.max(...days);
  return { low, high: high > low ? high : low + 1 };
}

/**
 * The large rail over the strip. Threads end where the columns' middles are.
 * @param {any} doc @param {number} gutter px @param {number} width px
 */
export function rail(doc, gutter, width) {
  const { low, high } = span(doc);
  const n = doc.scans.length;
  const inner = width - gutter;
  const x = (/** @type {number} */ day) => gutter + 28 + ((day - low) / (high - low)) * (inner - 56);
  const covered = doc.state === "covered";
  const events = [...doc.events].sort((a, b) => a.day - b.day).map((e) => {
    const words = e.text && e.text.length < 24 ? e.text : EVENT_WORDS[/** @type {keyof typeof EVENT_WORDS} */ (e.kind)] ?? e.kind;
    return { at: x(e.day), text: `${words}, day ${e.day}`, level: 0 };
  });
  /** @type {number[]} */ const ends = [];
  for (const e of events) {
    const level = ends.findIndex((end) => end < e.at - 6);
    e.level = level < 0 ? ends.length : level;
    ends[e.level] = e.at + LETTER * e.text.length + 12;
  }
  const rows = Math.max(1, ends.length);
  const y = 18 + 17 * rows, bottom = y + 46;
  const made = svg("svg", { class: "rail", viewBox: `0 0 ${width} ${bottom}`, width, height: bottom, role: "img", "aria-label": railWords(doc) });
  made.append(svg("line", { x1: gutter + 10, x2: width - 10, y1: y, y2: y, class: "line" }));
  if (doc.day_zero === "onset") made.append(svg("line", { x1: x(0), x2: x(0), y1: y - 6, y2: y + 6, class: "zero" }), label(x(0), y + 20, "day 0", "quiet"));
  // The first event hangs highest, so that no pole runs through an earlier label.
  for (const { at, text, level } of events) {
    const top = y - 14 - 17 * (rows - 1 - level);
    const left = at + LETTER * text.length > width - 8;
    made.append(svg("path", { d: `M${at} ${y - 3}V${top - 6}`, class: "flagpole" }), svg("circle", { cx: at, cy: top - 6, r: 2.6, class: "flag" }),
      label(at + (left ? -6 : 6), top - 2, text, "flagtext", left ? "end" : "start"));
  }
  for (const [i, scan] of doc.scans.entries()) {
    const at = x(scan.day), to = gutter + ((i + 0.5) * inner) / n;
    if (covered) made.append(label(at, y + 22, `day ${scan.day}`, "quiet"));
    else made.append(svg("path", { d: `M${at} ${y + 5}C${at} ${y + 30} ${to} ${y + 18} ${to} ${bottom}`, class: "thread" }));
    made.append(svg("circle", { cx: at, cy: y, r: 5.5, class: "bead" }));
  }
  return made;
}

/** @param {any} told */
export function railWords(told) {
  const scans = told.scans.map((/** @type {any} */ s) => `scan ${s.number} on day ${s.day}`).join(", ");
  const events = told.events.map((/** @type {any} */ e) => `${e.text || e.kind} on day ${e.day}`).join(", ");
  return `Time line: ${scans || "no scan yet"}${events ? `; ${events}` : ""}`;
}

/** @param {number} x @param {number} y @param {string} text @param {string} kind @param {string} [anchor] */
function label(x, y, text, kind, anchor = "middle") {
  return svg("text", { x, y, class: kind, "text-anchor": anchor }, text);
}

/** The small rail of the list. @param {any} told @returns {Node} */
export function small(told) {
  if (!told.scans.length) return el("span", { className: "quiet" }, "");
  const { low, high } = span(told);
  const x = (/** @type {number} */ day) => 10 + ((day - low) / (high - low)) * 260;
  const made = svg("svg", { class: "rail small", viewBox: "0 0 280 26", width: 280, height: 26, role: "img", "aria-label": railWords(told) });
  made.append(svg("line", { x1: 4, x2: 276, y1: 16, y2: 16, class: "line" }));
  for (const e of told.events) made.append(svg("path", { d: `M${x(e.day)} 13V4`, class: "flagpole" }), svg("circle", { cx: x(e.day), cy: 4, r: 2.4, class: "flag" }));
  for (const s of told.scans) made.append(svg("circle", { cx: x(s.day), cy: 16, r: 4.5, class: "bead" }));
  return made;
}
