// @ts-check
/** What is known of the case on the page: what the server told, boxes and outlines that came, and the view. */

import { bytes, get, Refused, send } from "./api.js";
import { say, warn } from "./dom.js";
import { apply, carried, IDENTITY, inverse, planeOf, scale, add } from "./geometry.js";
import { boxOf } from "./sampler.js";
import { fieldOf, meshOf } from "./trace.js";

/** @typedef {import("./geometry.js").Vec} Vec */
/** @typedef {{offset: number, pan: [number, number]}} Move */

export class Store {
  /** @param {string} key */
  constructor(key) {
    this.key = key;
    this.path = `/api/cases/${key}`;
    /** @type {any} */ this.doc = null;
    /** @type {Map<string, import("./sampler.js").Box>} */ this.boxes = new Map();
    /** @type {Map<string, {mesh: import("./trace.js").Mesh, depth: import("./trace.js").Field}>} */ this.shapes = new Map();
    /** @type {Set<string>} */ this.coming = new Set();
    this.view = { way: "across", turn: 0, tilt: 0, follow: false, tissue: "all", outline: true, zones: false, bare: false, field: 0 };
    /** @type {Move} */ this.move = { offset: 0, pan: [0, 0] };
    /** @type {Map<number, Move>} */ this.own = new Map();
    /** @type {Vec | null} in the reference scan */ this.spot = null;
    /** @type {any} */ this.tool = null;
    /** @type {Set<() => void>} */ this.listeners = new Set();
    /** @type {Set<(job: any) => void>} */ this.jobListeners = new Set();
    /** @type {(() => void) | null} */ this.redraw = null;
    /** @type {(() => void) | null} the common place was moved */ this.spotted = null;
    /** @type {((site: any) => Promise<void>) | null} */ this.placeBiopsy = null;
    this.watching = false;
  }

  changed() { for (const tell of this.listeners) tell(); }
  draw() { this.redraw?.(); }

  async load() {
    this.take(await get(this.path));
    if (this.doc.job?.state === "running") this.watch();
  }

  /** @param {any} doc */
  take(doc) {
    const fresh = this.stamp(doc) !== (this.doc ? this.stamp(this.doc) : "");
    this.doc = doc;
    if (fresh) { this.boxes.clear(); this.shapes.clear(); this.coming.clear(); }
    this.fetchAll();
    this.changed();
  }

  /** What boxes and outlines depend on. @param {any} doc */
  stamp(doc) {
    return JSON.stringify([doc.wholes, doc.first, doc.measured && [doc.measured.nears, doc.measured.outlines], doc.state === "covered"]);
  }

  // --- acts ------------------------------------------------------------------

  /** Do one act on case.toml. @param {any} act @returns {Promise<boolean>} */
  async act(act) {
    return this.tried(async () => this.take(await send(`${this.path}/acts`, { version: this.doc.given?.version ?? "none", act })));
  }

  /** @param {"undo" | "redo"} way */
  async step(way) {
    return this.tried(async () => {
      this.take(await send(`${this.path}/steps/${way}`, { version: this.doc.given?.version ?? "none" }));
      say(way === "undo" ? "The last act was undone." : "The act was done again.");
    });
  }

  /** @param {() => Promise<void>} work @returns {Promise<boolean>} */
  async tried(work) {
    try {
      await work();
      return true;
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      if (error.status === 409 && error.kind === "Conflict") await this.load().catch(() => undefined);
      warn(error.message);
      return false;
    }
  }

  // --- jobs --------------------------------------------------------------------

  /** Start something on the server; what runs already is stopped where `instead`. @param {any} asked @param {boolean} [instead] */
  async start(asked, instead = false) {
    return this.tried(async () => {
      if (instead && this.doc.job?.state === "running") await this.cancel();
      const { job } = await send(`${this.path}/job`, asked);
      this.doc.job = job;
      this.tellJob(job);
      this.watch();
    });
  }

  async cancel() {
    await send(`${this.path}/job`, {}, "DELETE");
  }

  /** @param {any} job */
  tellJob(job) { for (const tell of this.jobListeners) tell(job); }

  async watch() {
    if (this.watching) return;
    this.watching = true;
    try {
      for (;;) {
        await new Promise((done) => setTimeout(done, 300));
        const { job } = await get(`${this.path}/job`);
        this.doc.job = job;
        this.tellJob(job);
        if (!job || job.state !== "running") break;
      }
    } catch (error) {
      if (error instanceof Refused) warn(error.message);
    } finally {
      this.watching = false;
    }
    await this.tried(() => this.load());
  }

  // --- boxes and outlines ----------------------------------------------------------

  fetchAll() {
    const { doc } = this;
    if (doc.state === "covered") return;
    for (const box of doc.measured?.nears ?? []) this.fetchBox(box);
    for (const told of doc.measured?.outlines ?? []) this.fetchShape(told);
    for (const held of Object.values(doc.first ?? {})) {
      this.fetchBox(held.near);
      if (held.outline) this.fetchShape(held.outline);
    }
    for (const box of doc.wholes ?? []) if (!this.nearKnown(box.name)) this.fetchBox(box);
  }

  /** Whether compact native voxels are known of the scan of a coarse box. @param {string} name */
  nearKnown(name) {
    const number = name.replace("whole-", "");
    return Boolean(this.doc.first?.[number] || this.doc.measured?.nears?.some((/** @type {any} */ b) => b.name === `near-${number}`));
  }

  /** The rest of a scan, once somebody looks beyond what was sent first. @param {number} scan */
  fetchRest(scan) {
    const told = (this.doc.wholes ?? []).find((/** @type {any} */ w) => w.name === `whole-${scan}`);
    if (told) this.fetchBox(told);
  }

  /** @param {any} told */
  async fetchBox(told) {
    await this.once(told.name, async () => {
      this.boxes.set(told.name, boxOf(await bytes(`${this.path}/kept/${told.name}.i16`), told.shape, told.affine));
    });
  }

  /** @param {any} told */
  async fetchShape(told) {
    await this.once(told.name, async () => {
      const [mesh, depth] = await Promise.all([bytes(`${this.path}/kept/${told.name}.mesh`), bytes(`${this.path}/kept/${told.name}.depth`)]);
      this.shapes.set(told.name, { mesh: meshOf(mesh, told.vertices, told.faces), depth: fieldOf(depth, told.depth.shape, told.depth.affine) });
    });
  }

  /** @param {string} name @param {() => Promise<void>} work */
  async once(name, work) {
    if (this.coming.has(name)) return;
    this.coming.add(name);
    try {
      await work();
      this.draw();
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      this.coming.delete(name);
    }
  }

  // --- scans in the view -------------------------------------------------------------

  /** The outline of a scan as it is known now: measured, else the first look. @param {number} scan @returns {any} */
  outlineOf(scan) {
    const first = this.doc.first?.[scan]?.outline;
    const measured = this.doc.measured?.outlines?.find((/** @type {any} */ o) => o.scan === scan);
    return this.doc.measured && !this.doc.measured.stale ? measured ?? first : first ?? measured;
  }

  /** @param {number} scan @returns {any} */
  alignmentOf(scan) {
    return this.doc.measured?.alignments?.find((/** @type {any} */ a) => a.scan === scan) ?? null;
  }

  /** From the reference scan to that scan; null where the two are not lined up. @param {number} scan @returns {number[] | null} */
  link(scan) {
    const told = this.alignmentOf(scan);
    return told && told.trust !== "withheld" ? inverse(told.matrix) : null;
  }

  /** Middle of what is looked at: of the reference scan where scans are lined up, else of that scan. @param {number | null} scan @returns {Vec} */
  centre(scan) {
    if (scan === null) {
      const reference = this.doc.measured.reference_scan;
      const told = this.outlineOf(reference);
      if (told) return told.centroid;
      for (const other of this.doc.measured.outlines) {
        const matrix = this.alignmentOf(other.scan);
        if (matrix && matrix.trust !== "withheld") return apply(matrix.matrix, other.centroid);
      }
      return this.middle(reference);
    }
    const told = this.outlineOf(scan);
    if (told) return told.centroid;
    const lesion = this.doc.given?.table?.lesion;
    if (lesion?.seed && (lesion.scan ?? 1) === scan) return lesion.seed;
    return this.middle(scan);
  }

  /** @param {number} scan @returns {Vec} */
  middle(scan) {
    const told = (this.doc.wholes ?? []).find((/** @type {any} */ w) => w.name === `whole-${scan}`) ?? this.doc.scans.find((/** @type {any} */ s) => s.number === scan);
    const [n, r, c] = told.shape;
    return apply(told.affine, [(n - 1) / 2, (r - 1) / 2, (c - 1) / 2]);
  }

  /** How a scan is moved through: with the others, or by itself. @param {number} scan @returns {Move} */
  moveOf(scan) {
    if (this.link(scan)) return this.move;
    let own = this.own.get(scan);
    if (!own) this.own.set(scan, (own = { offset: 0, pan: [0, 0] }));
    return own;
  }

  /** The plane of a scan's picture. @param {number} scan @returns {import("./geometry.js").Plane} */
  plane(scan) {
    const link = this.link(scan);
    const move = this.moveOf(scan);
    const axis = link && this.view.follow ? this.doc.measured.axis : null;
    const base = planeOf({ ...this.view, axis }, this.centre(link ? null : scan));
    const centre = add(base.centre, add(scale(base.normal, move.offset), add(scale(base.right, move.pan[0]), scale(base.down, move.pan[1]))));
    return carried({ ...base, centre }, link ?? IDENTITY);
  }

  /** mm across a picture. */
  field() {
    if (this.view.field) return this.view.field;
    /** @type {number[]} */ const reach = [];
    for (const scan of this.doc.scans) {
      const shape = this.shapes.get(this.outlineOf(scan.number)?.name);
      if (!shape) continue;
      const v = shape.mesh.vertices, c = this.outlineOf(scan.number).centroid;
      let most = 0;
      for (let at = 0; at < v.length; at += 3) most = Math.max(most, Math.abs(v[at] - c[0]), Math.abs(v[at + 1] - c[1]), Math.abs(v[at + 2] - c[2]));
      reach.push(most);
    }
    if (reach.length) return Math.max(60, Math.ceil((2 * (Math.max(...reach) + 16)) / 10) * 10);
    if (this.doc.given?.table?.lesion?.seed) return 140;
    const widths = (this.doc.wholes ?? []).map((/** @type {any} */ w) => {
      const [n, r, c] = w.shape, m = w.affine;
      const step = (/** @type {number} */ k) => Math.hypot(m[k], m[k + 4], m[k + 8]);
      return this.view.way === "across" ? Math.max(r * step(1), c * step(2)) : Math.max(n * step(0), r * step(1), c * step(2));
    });
    return widths.length ? Math.min(500, Math.ceil(Math.max(...widths) / 10) * 10) : 240;
  }

  /** @param {number} scan @returns {import("./picture.js").Content} */
  content(scan) {
    const told = this.outlineOf(scan);
    const shape = told && this.shapes.get(told.name);
    const boxes = [this.boxes.get(`near-${scan}`), this.boxes.get(`whole-${scan}`)].filter((b) => b !== undefined);
    return {
      boxes: /** @type {import("./sampler.js").Box[]} */ (boxes),
      mesh: shape?.mesh ?? null,
      depth: shape?.depth ?? null,
      borders: told ? [told.rim_mm, told.core_mm] : [],
      marks: this.marks(scan),
    };
  }

  /** What was marked in a scan. @param {number} scan @returns {import("./picture.js").Mark[]} */
  marks(scan) {
    const table = this.doc.given?.table ?? {};
    /** @type {import("./picture.js").Mark[]} */ const found = [];
    const here = (/** @type {any} */ item) => (item.scan ?? 1) === scan;
    if (table.lesion?.seed && here(table.lesion)) found.push({ kind: "point", points: [table.lesion.seed] });
    for (const m of (table.margin ?? []).filter(here)) found.push({ kind: "margin", points: [m.at] });
    for (const m of (table.contour ?? []).filter(here)) found.push({ kind: "contour", points: m.points, closed: true });
    for (const m of (table.mineral ?? []).filter(here)) found.push({ kind: m.act, points: [m.at] });
    for (const [n, b] of (table.biopsy ?? []).entries()) {
      const own = b.entry ? [b.entry, b.target] : [b.point ?? b.target];
      const text = `B${n + 1}`;
      if (here(b)) found.push({ kind: "biopsy", points: own, text });
      else {
        const from = this.alignmentOf(b.scan ?? 1), to = this.link(scan);
        if (from && from.trust !== "withheld" && to) found.push({ kind: "biopsy", points: own.map((/** @type {Vec} */ p) => apply(to, apply(from.matrix, p))), text });
      }
    }
    if (this.tool?.marks) found.push(...this.tool.marks(scan));
    return found;
  }
}
