// @ts-check
/** One picture of the strip: a plane of one scan with what was found and marked there. */

import { add, letter, scale } from "./geometry.js";
import { sample, shade } from "./sampler.js";
import { contour, cut, placed } from "./trace.js";

/** @typedef {import("./geometry.js").Vec} Vec */
/** @typedef {import("./geometry.js").Plane} Plane */
/** @typedef {{kind: string, points: Vec[], closed?: boolean, text?: string}} Mark */
/**
 * @typedef {{boxes: import("./sampler.js").Box[], mesh: import("./trace.js").Mesh | null,
 *   depth: import("./trace.js").Field | null, borders: number[], marks: Mark[]}} Content
 */

const MOST_PIXELS = 300;
const NEAR_MM = 3;
/** Marks this far from the plane are drawn faintly; farther ones not. */
const LINE = "#f0a05a", QUIET = "rgba(240,160,90,.85)", MARK = "#fff3df", SHADOW = "rgba(0,0,0,.75)";

export class Picture {
  /** @param {HTMLCanvasElement} canvas */
  constructor(canvas) {
    this.canvas = canvas;
    this.held = document.createElement("canvas");
    this.size = 0;
    this.hu = new Int16Array(0);
    /** @type {ImageData | null} */ this.image = null;
    /** @type {Plane | null} */ this.plane = null;
    this.field = 100;
  }

  /** LPS point under a place of the picture (0..1 across and down). @param {number} x @param {number} y @returns {Vec | null} */
  world(x, y) {
    if (!this.plane) return null;
    const { centre, right, down } = this.plane;
    return add(add(centre, scale(right, (x - 0.5) * this.field)), scale(down, (y - 0.5) * this.field));
  }

  /**
   * @param {Content} content @param {Plane} plane @param {number} field
   * @param {{range: [number, number], outline: boolean, zones: boolean, marks: boolean, bar: number,
   *   spot: Vec | null, ring: {x: number, y: number} | null}} how
   */
  draw(content, plane, field, how) {
    this.plane = plane;
    this.field = field;
    const css = this.canvas.clientWidth || 200;
    const wide = Math.round(css * Math.min(window.devicePixelRatio || 1, 2));
    if (this.canvas.width !== wide) this.canvas.width = this.canvas.height = wide;
    const size = Math.min(MOST_PIXELS, wide);
    if (size !== this.size) {
      this.size = this.held.width = this.held.height = size;
      this.hu = new Int16Array(size * size);
      this.image = new ImageData(size, size);
    }
    const brush = this.canvas.getContext("2d");
    const inner = this.held.getContext("2d");
    if (!brush || !inner || !this.image) return;
    sample(content.boxes, plane, field, size, this.hu);
    shade(this.hu, how.range, this.image);
    inner.putImageData(this.image, 0, 0);
    brush.setTransform(1, 0, 0, 1, 0, 0);
    brush.clearRect(0, 0, wide, wide);
    brush.imageSmoothingEnabled = true;
    brush.imageSmoothingQuality = "medium";
    brush.drawImage(this.held, 0, 0, wide, wide);
    const mm = wide / field;
    const dot = wide / css;
    brush.setTransform(mm, 0, 0, mm, wide / 2, wide / 2);
    const pen = dot / mm;
    if (how.outline && content.mesh) this.outline(brush, content.mesh, plane, pen);
    if (how.zones && content.depth) {
      for (const [n, level] of content.borders.entries()) {
        this.border(brush, contour(content.depth, plane, level, field / 2), 1.3 * pen, n ? 0.4 : 0.7, n ? 28 : 16);
      }
    }
    if (how.marks) for (const mark of content.marks) this.mark(brush, mark, plane, pen);
    if (how.spot) this.spot(brush, plane, how.spot, pen);
    if (how.ring) this.ring(brush, how.ring.x, how.ring.y, pen);
    brush.setTransform(dot, 0, 0, dot, 0, 0);
    this.frame(brush, plane, css, how.bar, css / field);
  }

  /** @param {CanvasRenderingContext2D} brush @param {import("./trace.js").Mesh} mesh @param {Plane} plane @param {number} pen */
  outline(brush, mesh, plane, pen) {
    const found = cut(mesh, plane);
    for (const seen of [0, 1]) {
      brush.beginPath();
      for (let at = 0; at < found.length; at += 5) {
        if (found[at + 4] !== seen) continue;
        if (!seen && (at / 5) % 2) continue;
        brush.moveTo(found[at], found[at + 1]);
        brush.lineTo(found[at + 2], found[at + 3]);
      }
      brush.lineWidth = 3.2 * pen;
      brush.strokeStyle = "rgba(0,0,0,.45)";
      brush.stroke();
      brush.lineWidth = 1.6 * pen;
      brush.strokeStyle = LINE;
      brush.stroke();
    }
  }

  /** A closed border of a zone, broken into dashes all round. @param {CanvasRenderingContext2D} brush @param {number[]} found
   * @param {number} width @param {number} share of every dash that is drawn @param {number} dashes all round */
  border(brush, found, width, share, dashes) {
    let x = 0, y = 0;
    for (let at = 0; at < found.length; at += 4) { x += found[at]; y += found[at + 1]; }
    x /= found.length / 4; y /= found.length / 4;
    brush.beginPath();
    for (let at = 0; at < found.length; at += 4) {
      const turn = Math.atan2(found[at + 1] - y, found[at] - x) / (2 * Math.PI) + 1;
      if ((turn * dashes) % 1 > share) continue;
      brush.moveTo(found[at], found[at + 1]);
      brush.lineTo(found[at + 2], found[at + 3]);
    }
    brush.lineWidth = width;
    brush.strokeStyle = QUIET;
    brush.stroke();
  }

  /** @param {CanvasRenderingContext2D} brush @param {Mark} mark @param {Plane} plane @param {number} pen */
  mark(brush, mark, plane, pen) {
    const ends = mark.points.map((p) => placed(plane, p));
    const off = Math.min(...ends.map((p) => Math.abs(p.off)));
    const crosses = Math.min(...ends.map((p) => p.off)) < 0 && Math.max(...ends.map((p) => p.off)) > 0;
    if (off > 4 * NEAR_MM && !crosses) return;
    brush.globalAlpha = off <= NEAR_MM || crosses ? 1 : 0.45;
    for (const [width, colour] of /** @type {[number, string][]} */ ([[4 * pen, SHADOW], [1.8 * pen, MARK]])) {
      brush.lineWidth = width;
      brush.strokeStyle = colour;
      brush.beginPath();
      if (ends.length > 1) {
        brush.moveTo(ends[0].x, ends[0].y);
        for (const p of ends.slice(1)) brush.lineTo(p.x, p.y);
        if (mark.closed) brush.closePath();
      }
      const last = ends[ends.length - 1];
      const s = 4.5 * pen;
      if (mark.kind === "biopsy") {
        brush.moveTo(last.x, last.y - s); brush.lineTo(last.x + s, last.y); brush.lineTo(last.x, last.y + s);
        brush.lineTo(last.x - s, last.y); brush.closePath();
      } else if (mark.kind === "margin") {
        brush.rect(last.x - 0.7 * s, last.y - 0.7 * s, 1.4 * s, 1.4 * s);
      } else if (mark.kind === "add" || mark.kind === "take") {
        brush.moveTo(last.x - s, last.y); brush.lineTo(last.x + s, last.y);
        if (mark.kind === "add") { brush.moveTo(last.x, last.y - s); brush.lineTo(last.x, last.y + s); }
      } else if (mark.kind === "point") {
        brush.moveTo(last.x + s, last.y);
        brush.arc(last.x, last.y, s, 0, 2 * Math.PI);
      } else if (ends.length < 3) {
        for (const p of ends) brush.rect(p.x - 0.3 * s, p.y - 0.3 * s, 0.6 * s, 0.6 * s);
      }
      brush.stroke();
    }
    if (mark.text) {
      const last = ends[ends.length - 1];
      brush.save();
      brush.translate(last.x + 7 * pen, last.y - 6 * pen);
      brush.scale(pen, pen);
      brush.font = "600 12px system-ui, sans-serif";
      brush.lineWidth = 3; brush.strokeStyle = SHADOW; brush.strokeText(mark.text, 0, 0);
      brush.fillStyle = MARK; brush.fillText(mark.text, 0, 0);
      brush.restore();
    }
    brush.globalAlpha = 1;
  }

  /** The same place in every scan. @param {CanvasRenderingContext2D} brush @param {Plane} plane @param {Vec} spot @param {number} pen */
  spot(brush, plane, spot, pen) {
    const at = placed(plane, spot);
    if (Math.abs(at.off) > NEAR_MM) return;
    this.ring(brush, at.x, at.y, pen);
  }

  /** @param {CanvasRenderingContext2D} brush @param {number} x @param {number} y @param {number} pen */
  ring(brush, x, y, pen) {
    for (const [width, colour] of /** @type {[number, string][]} */ ([[4 * pen, SHADOW], [1.6 * pen, "#ffffff"]])) {
      brush.beginPath();
      brush.arc(x, y, 7 * pen, 0, 2 * Math.PI);
      brush.moveTo(x + 1.2 * pen, y);
      brush.arc(x, y, 1.2 * pen, 0, 2 * Math.PI);
      brush.lineWidth = width;
      brush.strokeStyle = colour;
      brush.stroke();
    }
  }

  /** Scale bar and directions. @param {CanvasRenderingContext2D} brush @param {Plane} plane @param {number} css
   * @param {number} bar mm @param {number} pixels per mm */
  frame(brush, plane, css, bar, pixels) {
    brush.font = "600 11px system-ui, sans-serif";
    brush.textAlign = "center";
    brush.textBaseline = "middle";
    const { right, down } = plane;
    const words = /** @type {[string, number, number][]} */ ([
      [letter(scale(down, -1)), css / 2, 10], [letter(down), css / 2, css - 10],
      [letter(scale(right, -1)), 9, css / 2], [letter(right), css - 9, css / 2],
    ]);
    brush.lineWidth = 3;
    brush.strokeStyle = SHADOW;
    brush.fillStyle = "#f4ece2";
    for (const [text, x, y] of words) { brush.strokeText(text, x, y); brush.fillText(text, x, y); }
    const long = bar * pixels, x = 10, y = css - 12;
    brush.lineWidth = 4.5;
    brush.beginPath(); brush.moveTo(x, y); brush.lineTo(x + long, y); brush.stroke();
    brush.lineWidth = 2;
    brush.strokeStyle = "#f4ece2";
    brush.beginPath(); brush.moveTo(x, y); brush.lineTo(x + long, y); brush.stroke();
    brush.textAlign = "left";
    brush.lineWidth = 3;
    brush.strokeStyle = SHADOW;
    brush.strokeText(`${bar} mm`, x, y - 9); brush.fillText(`${bar} mm`, x, y - 9);
  }
}
