// @ts-check
/** Files, folders and archives dropped in or chosen: sent one by one under numbers, then made a case. */

import { put, Refused, send } from "./api.js";
import { el, say, warn } from "./dom.js";

const AT_ONCE = 4;

/** All files of what was dropped, folders walked. @param {DataTransfer} data @returns {Promise<File[]>} */
async function filesOf(data) {
  const entries = [...data.items].map((item) => item.webkitGetAsEntry?.() ?? null);
  const plain = [...data.files];
  if (!entries.some((e) => e?.isDirectory)) return plain;
  /** @type {File[]} */ const found = [];
  /** @param {any} entry */
  const walk = async (entry) => {
    if (!entry) return;
    if (entry.isFile) found.push(await new Promise((done, fail) => entry.file(done, fail)));
    else {
      const reader = entry.createReader();
      for (;;) {
        const some = await new Promise((done, fail) => reader.readEntries(done, fail));
        if (!some.length) break;
        for (const one of some) await walk(one);
      }
    }
  };
  for (const entry of entries) await walk(entry);
  return found;
}

/**
 * A place to drop files in, with buttons that do the same.
 * @param {{text: string, into: string | null, alias: () => string, done: (key: string) => void}} how
 */
export function dropPlace(how) {
  const told = el("p", { className: "drop-told" });
  const bar = el("progress", { max: 1, value: 0, hidden: true, "aria-label": "Files taken in" });
  const stop = el("button", { type: "button", hidden: true }, "Cancel");
  let busy = false;
  /** @param {File[]} files */
  const take = async (files) => {
    if (busy || !files.length) return;
    busy = true;
    let stopped = false;
    bar.hidden = stop.hidden = false;
    stop.onclick = () => { stopped = true; };
    let drop = "";
    try {
      ({ drop } = await send("/api/drops"));
      let next = 0, sent = 0;
      const one = async () => {
        while (next < files.length && !stopped) {
          const number = next++;
          const file = files[number];
          await put(`/api/drops/${drop}/${number}${file.name.toLowerCase() === "case.toml" ? "?as=case.toml" : ""}`, file);
          sent += 1;
          bar.value = sent / files.length;
          told.textContent = `${sent} of ${files.length} files`;
        }
      };
      await Promise.all(Array.from({ length: AT_ONCE }, one));
      if (stopped) {
        await send(`/api/drops/${drop}`, {}, "DELETE");
        told.textContent = "Stopped; nothing was kept.";
        return;
      }
      told.textContent = "Looking at what came…";
      const made = await send(`/api/drops/${drop}/finish`, { alias: how.alias(), into: how.into });
      told.textContent = made.note;
      say(`${made.files} files were taken in.${made.note ? ` ${made.note}.` : ""}`);
      how.done(made.key);
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      told.textContent = "";
      warn(error.message);
      if (drop) await send(`/api/drops/${drop}`, {}, "DELETE").catch(() => undefined);
    } finally {
      busy = false;
      bar.hidden = stop.hidden = true;
    }
  };
  const chooser = (/** @type {string} */ text, /** @type {boolean} */ folder) => {
    const input = el("input", { type: "file", multiple: true, className: "aloud", tabIndex: -1, "aria-hidden": "true", onchange: () => { take([...(input.files ?? [])]); input.value = ""; } });
    if (folder) input.webkitdirectory = true;
    return [input, el("button", { type: "button", onclick: () => input.click() }, text)];
  };
  const place = el(
    "div",
    { className: "drop" },
    el("p", {}, how.text),
    el("div", { className: "row" }, ...chooser("Choose a folder", true), ...chooser("Choose files or a zip", false)),
    el("div", { className: "row" }, bar, stop),
    told,
  );
  place.addEventListener("dragover", (e) => { e.preventDefault(); place.classList.add("over"); });
  place.addEventListener("dragleave", () => place.classList.remove("over"));
  place.addEventListener("drop", async (e) => {
    e.preventDefault();
    place.classList.remove("over");
    if (e.dataTransfer) await take(await filesOf(e.dataTransfer));
  });
  return place;
}
