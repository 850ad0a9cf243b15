// @ts-check
/** Which page is shown: the list, or one case. The token leaves the address at once. */

import { casePage } from "./case.js";
import { el, warn } from "./dom.js";
import { listPage } from "./list.js";

const app = /** @type {HTMLElement} */ (document.getElementById("app"));
/** @type {(() => void) | null} */ let leave = null;

/** @param {string} path @param {boolean} push */
function go(path, push) {
  if (push) history.pushState(null, "", path);
  leave?.();
  warn("");
  const found = /^\/case\/([0-9a-f]+)$/.exec(path);
  const open = (/** @type {string} */ key) => go(`/case/${key}`, true);
  const shown = found ? casePage(found[1], open) : listPage(open);
  leave = shown.leave;
  document.body.className = found ? "in-case" : "in-list";
  const home = el("a", { href: "/", className: "home", onclick: (/** @type {MouseEvent} */ e) => { if (e.ctrlKey || e.metaKey) return; e.preventDefault(); go("/", true); } }, found ? "All cases" : "mineralize");
  app.replaceChildren(
    el("header", { className: "top" }, home, el("div", { className: "title" }, ...shown.head), room()),
    el("main", { id: "main", tabIndex: -1 }, ...shown.body),
    el("footer", {}, el("p", {}, "Measured from CT for correlation with tissue. It makes no diagnosis, is not a medical device, and defers to licensed practice and local policy.")),
  );
  document.title = found ? "Case · mineralize" : "Cases · mineralize";
}

/** Dark room or light room; the system's wish until one is chosen. */
function room() {
  const wished = () => (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");
  const set = (/** @type {string} */ name) => { document.documentElement.dataset.room = name; };
  if (!document.documentElement.dataset.room) set(localStorage.getItem("room") ?? wished());
  const text = () => (document.documentElement.dataset.room === "dark" ? "Light room" : "Dark room");
  const button = el("button", {
    type: "button", className: "quietly",
    onclick: () => { const next = document.documentElement.dataset.room === "dark" ? "light" : "dark"; set(next); localStorage.setItem("room", next); button.textContent = text(); },
  }, text());
  return button;
}

window.addEventListener("popstate", () => go(location.pathname, false));
window.addEventListener("unhandledrejection", () => warn("Something went wrong on this page; what was saved is safe. Load the page again."));
history.replaceState(null, "", location.pathname);
go(location.pathname, false);
