// Draws the copper in a worker, away from the page's own thread: a picture half as large again as what is seen, and a
// small one of the whole board that stands under it while the sharp one is on its way.
import { parse, type Sent, type Shapes } from "./shapes";

export interface Scene {
  layer: number;
  under: number; // layer of the reference, -1 for none
  dim: boolean;
  nets: number[]; // drawn in ink
  trail: boolean; // the nets' copper on the other layers shows as thin lines
  ink: Record<string, string>;
}
export interface Ask {
  type: "draw";
  id: number;
  box: [number, number, number, number];
  px: [number, number]; // size of the picture
  scene: Scene;
  whole: boolean;
}
export type Message =
  | { type: "copper"; shapes: Sent[]; outline: string; holes: { width: number; d: string }[] }
  | Ask
  | { type: "pick"; id: number; x: number; y: number; reach: number; layer: number };

const FINEST = 0.45; // px; shapes of less are drawn as part of what is near, or not at all
let shapes: Shapes[] = [];
let outline: Path2D | null = null;
let holes: Shapes[] = [];
type Context = OffscreenCanvasRenderingContext2D;

function ringsOf(context: Context | Path2D, s: Shapes, row: number, close: boolean): void {
  const { points, ring, shape } = s;
  for (let r = shape[row]; r < shape[row + 1]; r++) {
    const first = 2 * ring[r], last = 2 * ring[r + 1];
    context.moveTo(points[first], points[first + 1]);
    for (let p = first + 2; p < last; p += 2) context.lineTo(points[p], points[p + 1]);
    if (close) context.closePath();
    else if (last - first === 2) context.lineTo(points[first] + 1, points[first + 1]);
  }
}

const seen = (s: Shapes, row: number, b: number[]): boolean =>
  s.box[4 * row] < b[2] && s.box[4 * row + 2] > b[0] && s.box[4 * row + 1] < b[3] && s.box[4 * row + 3] > b[1];

// Calls draw for every shape in the window that is large enough to be seen; of crowds of specks only some.
function each(s: Shapes, b: number[], px: number, wanted: Set<number> | null, draw: (row: number) => void): void {
  const least = FINEST * px;
  for (let row = 0; row < s.net.length; row++) {
    if (!seen(s, row, b) || (wanted && !wanted.has(s.net[row]))) continue;
    const wide = s.box[4 * row + 2] - s.box[4 * row], tall = s.box[4 * row + 3] - s.box[4 * row + 1];
    if (!wanted && wide < least && tall < least && row % 4) continue;
    draw(row);
  }
}

function areas(context: Context, layer: number, b: number[], px: number, fill: string | CanvasPattern, line: string, wanted: Set<number> | null) {
  for (const s of shapes) {
    if (s.kind !== "area" || s.layer !== layer) continue;
    context.beginPath();
    each(s, b, px, wanted, (row) => ringsOf(context, s, row, true));
    context.fillStyle = fill;
    context.fill("evenodd");
    if (line) { context.strokeStyle = line; context.lineWidth = 0.5 * px; context.stroke(); }
  }
}

function copper(context: Context, layer: number, b: number[], px: number, trace: string, pad: string, wanted: Set<number> | null) {
  for (const s of shapes) {
    if (s.layer !== layer || s.kind === "area") continue;
    context.beginPath();
    if (s.kind === "trace") {
      const fine = s.width < 1.6 * px;
      context.lineCap = fine ? "butt" : "round";
      context.lineJoin = fine ? "bevel" : "round";
      context.lineWidth = Math.max(s.width, (wanted ? 1.6 : 0.6) * px);
      context.strokeStyle = trace;
      each(s, b, px, wanted, (row) => ringsOf(context, s, row, false));
      context.stroke();
    } else if (s.kind === "pad") {
      each(s, b, px, wanted, (row) => ringsOf(context, s, row, true));
      context.fillStyle = pad;
      context.fill("evenodd");
    } else dots(context, s, b, px, pad, wanted);
  }
}

function dots(context: Context, s: Shapes, b: number[], px: number, colour: string, wanted: Set<number> | null) {
  const r = s.width / 2, round = s.width > 4 * px;
  context.beginPath();
  each(s, b, px, wanted, (row) => {
    const x = s.points[2 * s.ring[s.shape[row]]], y = s.points[2 * s.ring[s.shape[row]] + 1];
    if (round) { context.moveTo(x + r, y); context.arc(x, y, r, 0, 2 * Math.PI); }
    else context.rect(x - r * 0.89, y - r * 0.89, r * 1.78, r * 1.78); // the disc's area
  });
  context.fillStyle = colour;
  context.fill();
}

function hatch(context: Context, ground: string, line: string): CanvasPattern | string {
  const tile = new OffscreenCanvas(10, 10), c = tile.getContext("2d")!;
  c.fillStyle = ground;
  c.fillRect(0, 0, 10, 10);
  c.strokeStyle = line;
  c.lineWidth = 1.1;
  c.beginPath();
  for (const k of [-10, 0, 10]) { c.moveTo(k, 10); c.lineTo(k + 10, 0); }
  c.stroke();
  const pattern = context.createPattern(tile, "repeat");
  return pattern ?? ground;
}

function draw({ box: [x, y, w, h], px: [wide, tall], scene }: Ask): ImageBitmap {
  const canvas = new OffscreenCanvas(wide, tall), context = canvas.getContext("2d")!;
  const px = w / wide, b = [x, y, x + w, y + h], { ink } = scene;
  const place = (c: Context) => c.setTransform(1 / px, 0, 0, 1 / px, -x / px, -y / px);
  context.fillStyle = ink.card;
  context.fillRect(0, 0, wide, tall);
  place(context);
  if (outline) { context.fillStyle = ink.laminate; context.fill(outline, "evenodd"); }
  const sheet = scene.dim ? new OffscreenCanvas(wide, tall) : canvas;
  const c = scene.dim ? sheet.getContext("2d")! : context;
  place(c);
  if (scene.under >= 0) {
    const pattern = hatch(c, ink.under, ink.hatch);
    if (typeof pattern !== "string") pattern.setTransform(new DOMMatrix([px, 0, 0, px, x, y]));
    areas(c, scene.under, b, px, pattern, ink.hatch, null);
  }
  areas(c, scene.layer, b, px, ink.area, ink.faint, null);
  copper(c, scene.layer, b, px, ink.trace, ink.pad, null);
  if (scene.dim) {
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.globalAlpha = 0.45;
    context.drawImage(sheet, 0, 0);
    context.globalAlpha = 1;
    place(context);
  }
  if (scene.nets.length) {
    const wanted = new Set(scene.nets);
    if (scene.trail) {
      context.globalAlpha = 0.3;
      for (const layer of new Set(shapes.map((s) => s.layer)))
        if (layer !== scene.layer) copper(context, layer, b, px, ink.ink, ink.ink, wanted);
    }
    context.globalAlpha = 0.25;
    areas(context, scene.layer, b, px, ink.ink, "", wanted);
    context.globalAlpha = 1;
    copper(context, scene.layer, b, px, ink.ink, ink.ink, wanted);
  }
  for (const s of holes) dots(context, s, b, px, ink.hole, null);
  return canvas.transferToImageBitmap();
}

// The net under a point: of traces and pads the nearest within reach, else the area there.
function pick(x: number, y: number, reach: number, layer: number): number {
  let best = Infinity, net = 0;
  for (const s of shapes) {
    if (s.layer !== layer || s.kind === "area") continue;
    for (let row = 0; row < s.net.length; row++) {
      if (x < s.box[4 * row] - reach || x > s.box[4 * row + 2] + reach || y < s.box[4 * row + 1] - reach || y > s.box[4 * row + 3] + reach) continue;
      let off = s.kind === "pad" ? 0 : Infinity;
      if (s.kind !== "pad")
        for (let r = s.shape[row]; r < s.shape[row + 1]; r++)
          for (let p = 2 * s.ring[r]; p < 2 * s.ring[r + 1]; p += 2) {
            const ax = s.points[p], ay = s.points[p + 1], more = p + 2 < 2 * s.ring[r + 1];
            const dx = more ? s.points[p + 2] - ax : 0, dy = more ? s.points[p + 3] - ay : 0;
            const t = dx || dy ? Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy))) : 0;
            off = Math.min(off, Math.hypot(x - ax - t * dx, y - ay - t * dy) - s.width / 2);
          }
      if (off <= reach && off < best) { best = off; net = s.net[row]; }
    }
  }
  if (best < Infinity) return net;
  const context = new OffscreenCanvas(1, 1).getContext("2d")!;
  for (const s of shapes)
    if (s.layer === layer && s.kind === "area")
      for (let row = 0; row < s.net.length; row++)
        if (seen(s, row, [x, y, x + 1, y + 1])) {
          const path = new Path2D();
          ringsOf(path, s, row, true);
          if (context.isPointInPath(path, x, y, "evenodd")) return s.net[row];
        }
  return 0;
}

self.onmessage = ({ data: said }: MessageEvent<Message>) => {
  if (said.type === "copper") {
    shapes = said.shapes.map(parse);
    outline = new Path2D(said.outline);
    holes = said.holes.map(({ width, d }) => parse({ kind: "dot", layer: -1, width, d, nets: `0*${d.split("M").length - 1}` }));
    self.postMessage({ type: "ready", shapes: shapes.reduce((n, s) => n + s.net.length, 0) });
  } else if (said.type === "draw") {
    const began = performance.now();
    const bitmap = draw(said);
    self.postMessage({ type: "drawn", id: said.id, box: said.box, whole: said.whole, bitmap, ms: performance.now() - began }, { transfer: [bitmap] });
  } else self.postMessage({ type: "picked", id: said.id, net: pick(said.x, said.y, said.reach, said.layer) });
};
