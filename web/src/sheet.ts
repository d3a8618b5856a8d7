// The copper under the marks: two pictures that the worker paints, moved with the view until sharper ones arrive.
import Painter from "./painter.ts?worker&inline";
import { all, byId, make, type Box } from "./data";
import type { Ask, Message, Scene } from "./painter";
import type { Kind, Sent } from "./shapes";

const MARGIN = 0.25; // of the view, on each side, that is painted beyond it
const LARGEST = 4096; // px of a picture's side
const WHOLE = 1400; // px of the small picture's larger side
const COLOURS = ["card", "laminate", "under", "area", "trace", "pad", "hatch", "hole", "faint", "ink"];

type Answer =
  | { type: "ready"; shapes: number }
  | { type: "drawn"; id: number; box: Box; whole: boolean; bitmap: ImageBitmap; ms: number }
  | { type: "picked"; id: number; net: number };

interface Picture { canvas: HTMLCanvasElement; context: ImageBitmapRenderingContext; box: Box | null }

export class Sheet {
  private worker: Worker;
  private near: Picture;
  private far: Picture;
  private scene: Scene;
  private view: Box = [0, 0, 1, 1];
  private busy = false;
  private stale = { near: true, far: true };
  private asked = 0;
  private waiting = new Map<number, (net: number) => void>();
  private painted = 0;

  // Throws where the browser has no worker or no canvas off the page: the drawing in the page stays then.
  constructor(private board: SVGSVGElement, private whole: Box, private frameOf: () => DOMRect) {
    if (typeof OffscreenCanvas === "undefined") throw new Error("no OffscreenCanvas");
    this.worker = new Painter();
    const frame = board.parentElement!;
    this.far = picture(frame, board, "far");
    this.near = picture(frame, board, "near");
    this.scene = { layer: 0, under: -1, dim: false, nets: [], trail: false, ink: colours() };
    this.worker.onmessage = (event: MessageEvent<Answer>) => this.answer(event.data);
    this.worker.onerror = () => this.fail();
    document.addEventListener("visibilitychange", () => this.next());
    this.worker.postMessage(copperOf(board) satisfies Message);
    this.busy = true;
    document.documentElement.classList.add("painted");
  }

  private fail(): void {
    document.documentElement.classList.remove("painted");
    this.near.canvas.remove();
    this.far.canvas.remove();
  }

  private answer(said: Answer): void {
    if (said.type === "picked") {
      this.waiting.get(said.id)?.(said.net);
      this.waiting.delete(said.id);
      return;
    }
    this.busy = false;
    if (said.type === "drawn") {
      const target = said.whole ? this.far : this.near;
      target.canvas.width = said.bitmap.width;
      target.canvas.height = said.bitmap.height;
      target.context.transferFromImageBitmap(said.bitmap);
      target.box = said.box;
      target.canvas.dataset.picture = String(said.id);
      target.canvas.dataset.ms = said.ms.toFixed(1);
      if (!said.whole && this.painted++ === 0) performance.mark("board-drawn");
      this.settle();
    }
    this.next();
  }

  private next(): void {
    if (this.busy || document.hidden) return;
    const frame = this.frameOf();
    if (!frame.width) return;
    if (this.stale.near) this.send(false, frame);
    else if (this.stale.far) this.send(true, frame);
  }

  private send(whole: boolean, frame: DOMRect): void {
    let box: Box, wide: number, tall: number;
    if (whole) {
      const [, , w, h] = (box = this.whole), scale = WHOLE / Math.max(w, h);
      [wide, tall] = [Math.ceil(w * scale), Math.ceil(h * scale)];
      this.stale.far = false;
    } else {
      const [x, y, w, h] = this.view;
      box = [x - w * MARGIN, y - h * MARGIN, w * (1 + 2 * MARGIN), h * (1 + 2 * MARGIN)];
      const dense = Math.min(devicePixelRatio || 1, LARGEST / (Math.max(frame.width, frame.height) * (1 + 2 * MARGIN)));
      wide = Math.round(frame.width * (1 + 2 * MARGIN) * dense);
      tall = Math.round((wide * box[3]) / box[2]);
      this.stale.near = false;
    }
    this.busy = true;
    if (!whole) this.board.dataset.asked = String(this.asked + 1);
    const ask: Ask = { type: "draw", id: ++this.asked, box, px: [wide, tall], scene: this.scene, whole };
    this.worker.postMessage(ask satisfies Message);
  }

  // Moves both pictures to where the view is now.
  private settle(): void {
    const frame = this.frameOf();
    const [x, y, w] = this.view;
    for (const { canvas, box } of [this.far, this.near]) {
      if (!box) continue;
      const px = w / frame.width, scale = box[2] / canvas.width / px;
      canvas.style.transform = `translate(${(box[0] - x) / px}px,${(box[1] - y) / px}px) scale(${scale})`;
      canvas.style.visibility = "visible";
    }
  }

  // view : the window exactly as it fills the frame
  look(view: Box): void {
    this.view = view;
    this.settle();
    this.stale.near = true;
    this.next();
  }

  show(change: Partial<Scene>): void {
    this.scene = { ...this.scene, ...change };
    this.stale = { near: true, far: true };
    this.next();
  }

  repaint(): void {
    this.show({ ink: colours() });
  }

  pick(x: number, y: number, reach: number): Promise<number> {
    const id = ++this.asked;
    return new Promise((done) => {
      this.waiting.set(id, done);
      this.worker.postMessage({ type: "pick", id, x, y, reach, layer: this.scene.layer } satisfies Message);
    });
  }
}

function picture(frame: Element, board: Element, name: string): Picture {
  const canvas = make("canvas", { class: `sheet-${name}`, "aria-hidden": "true" });
  frame.insertBefore(canvas, board);
  const context = canvas.getContext("bitmaprenderer");
  if (!context) throw new Error("no bitmap canvas");
  return { canvas, context, box: null };
}

// The style sheet's colours as they are now, resolved by the browser.
function colours(): Record<string, string> {
  const probe = make("i");
  document.body.append(probe);
  const found: Record<string, string> = {};
  for (const name of COLOURS) {
    probe.style.color = `var(--${name})`;
    found[name] = getComputedStyle(probe).color;
  }
  probe.remove();
  return found;
}

function copperOf(board: SVGSVGElement): Message {
  const shapes: Sent[] = [];
  const add = (path: Element, kind: Kind, layer: number) => {
    const d = path.getAttribute("d") ?? "";
    if (d) shapes.push({ kind, layer, width: Number(path.getAttribute("stroke-width") ?? 0), d, nets: path.getAttribute("data-nets") ?? "" });
  };
  all(".layer", board).forEach((group, layer) => {
    add(byId(`areas-${layer}`), "area", layer);
    for (const path of all("path[data-nets]", group))
      add(path, path.classList.contains("trace") ? "trace" : path.classList.contains("dot") ? "dot" : "pad", layer);
  });
  const holes = all(".holes path", board).map((path) => ({
    width: Number(path.getAttribute("stroke-width")), d: path.getAttribute("d") ?? "",
  }));
  return { type: "copper", shapes, holes, outline: board.querySelector(".laminate")?.getAttribute("d") ?? "" };
}
