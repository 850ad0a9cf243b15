// @ts-check
/** Where a biopsy came from: zone, depth, the tissue that the literature describes there, told at once. */

import { el, warn } from "./dom.js";
import { apply } from "./geometry.js";
import { get } from "./api.js";

/** @param {import("./store.js").Store} store @param {HTMLElement} place @param {any} site */
export async function biopsyPanel(store, place, site) {
  if (!store.doc.measured) {
    place.replaceChildren(panel("The biopsy is marked. Zone and depth are told once the lesion is measured."));
    return;
  }
  place.replaceChildren(panel("Looking where the biopsy came from…"));
  if (!(await store.start({ do: "biopsy", ...site }, true))) { place.replaceChildren(); return; }
  const job = await new Promise((done) => {
    const listen = (/** @type {any} */ told) => { if (told && told.state !== "running") { store.jobListeners.delete(listen); done(told); } };
    store.jobListeners.add(listen);
  });
  if (job.state !== "done") { warn(job.text); place.replaceChildren(); return; }
  const report = job.result.report;
  const told = store.alignmentOf(site.scan);
  if (told && told.trust !== "withheld") { store.spot = apply(told.matrix, site.target); store.draw(); store.spotted?.(); }
  const numbers = await get(`${store.path}/numbers`);
  place.replaceChildren(panel(report.text, report, tissueOf(numbers.tissue, report.site), numbers.words));
}

/** @param {any[]} rows @param {any} site */
function tissueOf(rows, site) {
  const zone = { rim: "periphery", middle: "middle", core: "centre" }[/** @type {"rim" | "middle" | "core"} */ (site.zone)];
  const there = rows.filter((r) => r.zone === zone);
  const then = there.filter((r) => r.scans.includes(site.scan));
  return then.length ? then : there;
}

/** @param {string} text @param {any} [report] @param {any[]} [tissue] @param {any} [words] */
function panel(text, report, tissue = [], words = {}) {
  const site = report?.site;
  const facts = site?.zone ? el("dl", { className: "facts" },
    el("div", {}, el("dt", {}, "Zone"), el("dd", {}, words.zones[site.zone])),
    el("div", {}, el("dt", {}, "Depth below the outline"), el("dd", {}, `${site.depth_mm.toFixed(1)} mm`, el("small", {}, ` (${site.depth_low_mm.toFixed(1)} to ${site.depth_high_mm.toFixed(1)})`))),
    el("div", {}, el("dt", {}, "Way to the deepest point"), el("dd", {}, `${Math.round(100 * site.normalised_depth)} %`)),
    el("div", {}, el("dt", {}, "Shell there"), el("dd", {}, site.rim_state)),
    el("div", {}, el("dt", {}, "Trust"), el("dd", {}, report.trust))) : null;
  return el("section", { className: "biopsy", "aria-labelledby": "biopsy-head" },
    el("h2", { id: "biopsy-head" }, "Where the biopsy came from"), facts, el("p", {}, text),
    report?.caution ? el("p", { className: "why" }, report.caution) : null,
    ...tissue.map((r) => el("p", {}, el("b", {}, `What the literature describes there, ${r.stage} (${r.days}): `), r.tissue, el("span", { className: "quiet" }, ` ${r.sources.join("; ")}`))),
    tissue.length ? el("p", { className: "quiet" }, words.tissue) : null,
    report ? el("p", { className: "quiet" }, "Measure again to carry it into the summary.") : null);
}
