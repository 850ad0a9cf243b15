// @ts-check
/** The list of cases, each with its small time line and its state in words. */

import { get, Refused, send } from "./api.js";
import { dropPlace } from "./drop.js";
import { el, warn } from "./dom.js";
import { small } from "./rail.js";

const LABELS = { covered: "slides first", measured: "measured", pointed: "ready to measure", pointless: "needs a point", new: "new", unusable: "cannot be used" };

/** @param {(key: string) => void} open @returns {{head: Node[], body: Node[], leave: () => void}} */
export function listPage(open) {
  const list = el("ul", { className: "cases" });
  const name = el("input", { type: "text", id: "alias", maxLength: 64, autocomplete: "off", "aria-describedby": "alias-note" });
  const drop = dropPlace({
    text: "Drop a folder of scans, files or a zip here to make a case of it.",
    into: null,
    alias: () => name.value.trim(),
    done: open,
  });
  let gone = false;
  const fill = async () => {
    const { cases } = await get("/api/cases");
    if (gone) return;
    list.replaceChildren(...cases.map((/** @type {any} */ c) => row(c, open)));
    if (!cases.length) list.append(el("li", { className: "quiet" }, "No case lies in this folder yet."));
    return cases;
  };
  /** Days of cases that were never looked at, one after another. @param {any[]} cases */
  const glance = async (cases) => {
    for (const c of cases.filter((one) => one.state === "new" && !one.looked && one.job?.state !== "running")) {
      if (gone) return;
      try {
        await send(`/api/cases/${c.key}/job`, { do: "glance" });
        for (;;) {
          await new Promise((done) => setTimeout(done, 250));
          const { job } = await get(`/api/cases/${c.key}/job`);
          if (job?.state !== "running") break;
        }
      } catch (error) {
        if (!(error instanceof Refused)) throw error;
      }
      await fill();
    }
  };
  fill().then(glance).catch((error) => { if (error instanceof Refused) warn(error.message); else throw error; });
  return {
    head: [el("h1", {}, "Cases"), el("p", { className: "lead" }, "One lesion over time. Open a case, or drop scans in.")],
    body: [
      el("section", { "aria-label": "Cases in this folder" }, list),
      el("section", { "aria-labelledby": "new-case" },
        el("h2", { id: "new-case" }, "A new case"),
        el("label", { for: "alias", className: "field" }, "Name of the case"), name,
        el("p", { id: "alias-note", className: "quiet" }, "A pseudonym, not a person’s name. Left empty, the case gets a number."),
        drop),
    ],
    leave: () => { gone = true; },
  };
}

/** @param {any} c @param {(key: string) => void} open */
function row(c, open) {
  const running = c.job?.state === "running";
  return el("li", { className: `case ${c.state}` },
    el("a", { href: `/case/${c.key}`, onclick: (/** @type {MouseEvent} */ e) => { if (e.ctrlKey || e.metaKey) return; e.preventDefault(); open(c.key); } }, c.alias),
    small(c),
    el("span", { className: "words" }, el("span", { className: `chip ${c.state}` }, LABELS[/** @type {keyof typeof LABELS} */ (c.state)] ?? c.state), ` ${c.words}`, running ? el("em", {}, ` (${c.job.stage || "being read"}…)`) : null));
}
