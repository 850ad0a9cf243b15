// @ts-check
/** The summary to take along: the page, the sheet, figures, tables, DICOM, everything in one archive; and printing. */

import { el } from "./dom.js";

/** @param {import("./store.js").Store} store @param {HTMLElement} place */
export function summarySection(store, place) {
  const at = `${store.path}/results`;
  const stale = store.doc.measured.stale;
  const link = (/** @type {string} */ text, /** @type {string} */ href, /** @type {any} */ more = {}) => el("li", {}, el("a", { href, ...more }, text));
  place.replaceChildren(el("section", { className: "summary", "aria-labelledby": "summary-head" },
    el("h2", { id: "summary-head" }, "The summary"),
    stale ? el("p", { className: "why" }, "You have changed something since it was measured: measure again, then the summary is made anew.") : "",
    el("p", {}, "Made of what was measured, without names, identifiers and dates."),
    el("ul", { className: "downloads" },
      link("Everything in one zip", `${store.path}/export.zip`, { download: "" }),
      link("The sheet as PDF, two pages", `${at}/summary.pdf`, { download: "summary.pdf" }),
      link("The page, in one file", `${at}/summary.html`, { target: "_blank", rel: "noopener" }),
      link("Measurements as a table (CSV)", `${at}/measurements.csv`, { download: "measurements.csv" }),
      link("Changes as a table (CSV)", `${at}/changes.csv`, { download: "changes.csv" }),
      link("Everything for other programs (JSON)", `${at}/history.json`, { download: "history.json" })),
    el("p", { className: "quiet" }, "The zip also holds the figures, the DICOM objects, recorded impressions and case.toml."),
    el("button", { type: "button", onclick: () => window.print() }, "Print what is shown")));
}
