// The board beside the text: where it looks, what is picked and emphasised on it, pointer and keys.
import { all, byId, data, write, type Box } from "./data";
import { Sheet } from "./sheet";

export const board = document.getElementById("board") as unknown as SVGSVGElement;
export const whole = board.dataset.whole!.split(" ").map(Number) as Box;
export const marks = new Map(all<SVGGElement>(".mark", board).map((m) => [Number(m.dataset.place), m]));
const found = new Map(all<SVGGElement>("[data-shape]", board).map((g) => [Number(g.dataset.shape), g]));
const picks = all<HTMLInputElement>('input[name="layer"]');
const unders = all<SVGGElement>(".layer", board).map((g) => (g.dataset.under ? Number(g.dataset.under) : -1));
const hatch = document.getElementById("hatch")!;
const spacing = Number(hatch.getAttribute("width")) / whole[2];
const still = all<SVGGElement>(".still", board);
const parts = board.querySelector<SVGGElement>(".parts")!;
let sized = 0;
const quiet = matchMedia("(prefers-reduced-motion: reduce)");

export let sheet: Sheet | null = null;
export let view: Box = [...whole];
export let shown = new Set<number>();
let flight = 0;
const moved: (() => void)[] = [];
// Told after every move of the view.
export const onMove = (act: () => void) => moved.push(act);

// Read once for each size: read after a write it would have the browser lay the page out in the middle of a frame.
let frameKept: DOMRect | null = null;
const frameOf = () => frameKept ?? board.getBoundingClientRect();
export const scale = () => {
  const frame = frameOf();
  return frame.width ? Math.max(view[2] / frame.width, view[3] / frame.height) : 1;
};

// The window as it fills the frame: the view widened to the frame's shape.
function filled(): Box {
  const frame = frameOf(), px = scale();
  const w = frame.width * px, h = frame.height * px;
  return [view[0] + view[2] / 2 - w / 2, view[1] + view[3] / 2 - h / 2, w, h];
}

export function look(box: Box): void {
  view = box;
  board.setAttribute("viewBox", box.map(Math.round).join(" "));
  const frame = frameOf();
  if (!frame.width) return;
  const px = scale();
  if (px !== sized) {
    // set on each mark itself: a property that all inherit would have the browser restyle the whole drawing
    sized = px;
    const grow = `scale(${px})`;
    for (const group of still) group.setAttribute("transform", grow);
  }
  if (!sheet) hatch.setAttribute("patternTransform", `rotate(45) scale(${(px * 7) / (spacing * whole[2])})`);
  if (px < 60) parts.style.fontSize = `${11 * px}px`;
  if (px < 60 !== board.classList.contains("near")) board.classList.toggle("near");
  bar(px, box, frame);
  sheet?.look(filled());
  tidySoon();
  moved.forEach((act) => act());
}

function bar(px: number, box: Box, frame: DOMRect): void {
  const target = box[2] / 5000, power = 10 ** Math.floor(Math.log10(target));
  const length = power * [5, 2, 1].find((f) => f * power <= target * 1.0001)!;
  const group = board.querySelector(".scale-bar")!, wide = (length * 1000) / px;
  const left = box[0] + box[2] / 2 - (frame.width * px) / 2, low = box[1] + box[3] / 2 + (frame.height * px) / 2;
  group.setAttribute("transform", `translate(${left} ${low}) scale(${px})`);
  group.querySelector("rect")!.setAttribute("width", String(wide + 62));
  group.querySelector("path")!.setAttribute("d", `M14 -13h${wide}m0 -3v6m${-wide} 0v-6`);
  const text = group.querySelector("text")!;
  text.setAttribute("x", String(wide + 20));
  write(text, length >= 0.1 ? `${+length.toPrecision(1)} mm` : `${+(length * 1000).toPrecision(1)} µm`);
}

export const stop = () => cancelAnimationFrame(flight);
export function fly(target: Box): void {
  stop();
  const frame = frameOf(), aspect = frame.width / Math.max(frame.height, 1);
  const [x, y, w, h] = target, wide = Math.max(w, h * aspect), tall = Math.max(h, w / aspect);
  const goal: Box = [x + w / 2 - wide / 2, y + h / 2 - tall / 2, wide, tall];
  if (quiet.matches || (!sheet && data.size > 12000)) return look(goal);
  const from: Box = [...view], began = performance.now();
  const step = (now: number) => {
    const t = Math.min(1, Math.max(0, (now - began) / 420)), s = t * t * (3 - 2 * t);
    const width = from[2] * (goal[2] / from[2]) ** s;
    const share = Math.abs(goal[2] - from[2]) < 1 ? s : (width - from[2]) / (goal[2] - from[2]);
    look(from.map((v, i) => v + (goal[i] - v) * share) as Box);
    if (t < 1) flight = requestAnimationFrame(step);
  };
  flight = requestAnimationFrame(step);
}

// From a mark's middle to its label, px, the usual one first; the label stands where it lies on no other one.
const SPOTS: [number, number, string][] = [
  [12, -7, "start"], [12, 16, "start"], [-12, -7, "end"], [-12, 16, "end"], [0, -14, "middle"], [0, 24, "middle"],
];
const DIGIT = 7.2; // px
type Edges = [number, number, number, number];
const meet = (a: Edges, b: Edges) => a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3];
function spread(leaders: { x: number; y: number; numbers: number[] }[], px: number): void {
  const taken: Edges[] = [], rings = leaders.map(({ x, y }): Edges => [x / px - 9, y / px - 9, x / px + 9, y / px + 9]);
  leaders.forEach(({ x, y, numbers }, own) => {
    const text = marks.get(numbers[0])!.querySelector("text")!, long = DIGIT * text.textContent!.length;
    let best = Infinity, chosen = SPOTS[0], edges: Edges | null = null;
    SPOTS.forEach((spot, order) => {
      const left = x / px + spot[0] - (spot[2] === "end" ? long : spot[2] === "middle" ? long / 2 : 0), low = y / px + spot[1];
      const box: Edges = [left, low - 11, left + long, low + 2];
      const cost = 100 * taken.filter((t) => meet(t, box)).length + 10 * rings.filter((r, i) => i !== own && meet(r, box)).length + order;
      if (cost < best) [best, chosen, edges] = [cost, spot, box];
    });
    taken.push(edges!);
    text.setAttribute("x", String(chosen[0]));
    text.setAttribute("y", String(chosen[1]));
    text.setAttribute("text-anchor", chosen[2]);
  });
}

// Marks that lie on each other share the label of the worst; the same rule as in the picture that was drawn.
let tidying = 0;
function tidy(): void {
  const px = scale(), leaders: { x: number; y: number; numbers: number[] }[] = [], on = layer();
  const order = [...data.places].sort((a, b) => Number(shown.has(b.n)) - Number(shown.has(a.n)) || a.n - b.n);
  for (const place of order) {
    const mark = marks.get(place.n);
    const here = mark && (mark.classList.contains("all") || mark.classList.contains(`l${on}`));
    if (!mark || !here || mark.classList.contains("filtered-out")) continue;
    const leader = leaders.find((l) => Math.hypot(l.x - place.at[0], l.y - place.at[1]) < 20 * px);
    if (leader && shown.has(leader.numbers[0]) === shown.has(place.n)) leader.numbers.push(place.n);
    if (!leader) leaders.push({ x: place.at[0], y: place.at[1], numbers: [place.n] });
    mark.classList.toggle("crowded", Boolean(leader));
  }
  for (const { numbers } of leaders)
    write(marks.get(numbers[0])!.querySelector("text")!, numbers.length <= 3 ? numbers.join(", ") : `${numbers[0]} +${numbers.length - 1}`);
  spread(leaders, px);
}
export function tidySoon(): void {
  clearTimeout(tidying);
  tidying = window.setTimeout(tidy, 60);
}

export const layer = () => Math.max(0, picks.findIndex((p) => p.checked));
export function pickLayer(index: number): void {
  if (picks[index]) picks[index].checked = true;
  layerPicked();
}
function layerPicked(): void {
  write(byId("layer-name"), String(layer() + 1));
  if (!walking) sheet?.show({ layer: layer(), under: unders[layer()] ?? -1 });
  tidySoon();
}
export const onPick = (act: () => void) => picks.forEach((p) => p.addEventListener("change", act));
export const layers = picks.length;

// Emphasis: which places are meant (none: the whole board at rest), which nets, where to look, on which layer.
let walking = false;
export interface Focus { places?: number[]; nets?: number[]; box?: Box; layer?: number; under?: number; dim?: boolean; trail?: boolean }
export function show(focus: Focus): void {
  for (const n of shown) {
    marks.get(n)?.classList.remove("on");
    found.get(n)?.classList.remove("on");
  }
  shown = new Set(focus.places ?? []);
  const nets = new Set(focus.nets ?? []);
  marks.forEach((m, n) => m.classList.toggle("off", (shown.size > 0 || nets.size > 0) && !shown.has(n)));
  for (const n of shown) {
    marks.get(n)?.classList.add("on");
    found.get(n)?.classList.add("on");
    data.places[n - 1].nets.forEach((net) => nets.add(net));
  }
  const dim = focus.dim ?? (shown.size > 0 || nets.size > 0);
  board.classList.toggle("dimmed", dim);
  walking = focus.under !== undefined;
  if (focus.layer !== undefined && focus.layer >= 0 && picks[focus.layer]) picks[focus.layer].checked = true;
  write(byId("layer-name"), String(layer() + 1));
  sheet?.show({
    layer: layer(), under: focus.under ?? unders[layer()] ?? -1, dim, nets: nets.size <= 40 ? [...nets] : [], trail: focus.trail ?? false,
  });
  tidySoon();
  if (focus.box) fly(focus.box);
}

export const point = (event: { clientX: number; clientY: number }): [number, number, number] => {
  const frame = board.getBoundingClientRect(), px = scale(); // where it is now: the page may have been scrolled
  return [
    view[0] + view[2] / 2 + (event.clientX - frame.left - frame.width / 2) * px,
    view[1] + view[3] / 2 + (event.clientY - frame.top - frame.height / 2) * px, px,
  ];
};
export function zoom(factor: number, at?: number[]): void {
  stop();
  const w = Math.min(Math.max(view[2] * factor, 600), whole[2] * 2), f = w / view[2];
  const [x, y] = at ?? [view[0] + view[2] / 2, view[1] + view[3] / 2];
  look([x - (x - view[0]) * f, y - (y - view[1]) * f, w, view[3] * f]);
}
export function pan(dx: number, dy: number): void {
  stop();
  look([view[0] + dx * view[2], view[1] + dy * view[3], view[2], view[3]]);
}

// onClick : of a press that was no drag; onRest : once the reader has moved the board by hand
export function start(onClick: (x: number, y: number, px: number) => void, onRest: () => void): void {
  try {
    sheet = new Sheet(board, whole, frameOf);
  } catch {
    sheet = null; // the drawing in the page stays
  }
  let resting = 0;
  const soon = () => { clearTimeout(resting); resting = window.setTimeout(onRest, 350); };
  board.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoom(Math.exp(Math.max(-80, Math.min(80, event.deltaY)) / 300), point(event));
    soon();
  }, { passive: false });
  const touches = new Map<number, PointerEvent>();
  let drag: { x: number; y: number; from: Box; px: number; far: boolean } | null = null;
  let pinch = 0;
  board.addEventListener("pointerdown", (event) => {
    if (event.button || (event.target as Element).closest(".mark")) return;
    stop();
    touches.set(event.pointerId, event);
    drag = { x: event.clientX, y: event.clientY, from: [...view], px: scale(), far: touches.size > 1 };
    board.setPointerCapture(event.pointerId);
    board.classList.add("dragging");
  });
  board.addEventListener("pointermove", (event) => {
    if (!drag) return;
    touches.set(event.pointerId, event);
    if (touches.size === 2) {
      const [a, b] = [...touches.values()], apart = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
      if (pinch) zoom(pinch / apart, point({ clientX: (a.clientX + b.clientX) / 2, clientY: (a.clientY + b.clientY) / 2 }));
      pinch = apart;
      drag.far = true;
      return;
    }
    const dx = event.clientX - drag.x, dy = event.clientY - drag.y;
    if (Math.hypot(dx, dy) > 4) drag.far = true;
    if (drag.far && !pinch) look([drag.from[0] - dx * drag.px, drag.from[1] - dy * drag.px, drag.from[2], drag.from[3]]);
  });
  board.addEventListener("pointerup", (event) => {
    if (drag && !drag.far) onClick(...point(event));
    else if (drag) soon();
  });
  for (const end of ["pointerup", "pointercancel"])
    board.addEventListener(end, (event) => {
      touches.delete((event as PointerEvent).pointerId);
      if (!touches.size) { drag = null; pinch = 0; board.classList.remove("dragging"); }
    });
  const tools = document.querySelector<HTMLElement>(".tools")!;
  tools.hidden = false;
  all<HTMLButtonElement>("[data-zoom]", tools).forEach((b) => b.addEventListener("click", () => { zoom(Number(b.dataset.zoom)); soon(); }));
  picks.forEach((p) => p.addEventListener("change", () => { walking = false; layerPicked(); soon(); }));
  board.setAttribute("tabindex", "0");
  board.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target !== board) return;
    const steps: Record<string, [number, number]> = { ArrowLeft: [-0.15, 0], ArrowRight: [0.15, 0], ArrowUp: [0, -0.15], ArrowDown: [0, 0.15] };
    if (steps[event.key]) pan(...steps[event.key]);
    else if (event.key === "+" || event.key === "=") zoom(0.7);
    else if (event.key === "-") zoom(1.4);
    else return;
    event.preventDefault();
    event.stopPropagation();
    soon();
  });
  new ResizeObserver(() => {
    frameKept = board.getBoundingClientRect();
    look(view);
  }).observe(board);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => sheet?.repaint());
  layerPicked();
  look([...whole]);
}
