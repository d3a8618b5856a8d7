// A net chosen: all its copper, and its ways from pin to pin, stretch by stretch with the reference under each.
import * as board from "./board";
import { byId, data, make, type Box, type Stretch, type Way } from "./data";

const NEAR = 4000; // drawing units around a stretch
export let net = "";
let ways: Way[] = [];
let way = 0;
let at = -1; // stretch; -1: the net as a whole
const boxes = new Map(data.nets.map(([name, box, index]) => [name, { box, index }]));
export const nameOf = new Map(data.nets.map(([name, , index]) => [index, name]));
const layerWords = (layer: number) => `layer ${layer + 1}${data.names[layer] ? ` (${data.names[layer]})` : ""}`;

function describe([kind, layer, mm, ohm, reference, under]: Stretch): string {
  const what = kind === "via" ? `hole, ${mm.toFixed(2)} mm, left on ${layerWords(layer)}` : `${kind === "area" ? "pour" : "trace"} on ${layerWords(layer)}, ${mm.toFixed(1)} mm`;
  const met = ohm === null ? "" : `, ${ohm.toFixed(1)} Ω`;
  const back = kind === "via" ? "" : under < 0 ? "; no reference: nothing carries its return" : `; returns in ${reference} on ${layerWords(under)}`;
  return what + met + back;
}

function boxOf(stretch: Stretch): Box {
  const points = stretch[6].flat();
  let x0 = Infinity, y0 = Infinity, x1 = -Infinity, y1 = -Infinity;
  for (let i = 0; i < points.length; i += 2) {
    x0 = Math.min(x0, points[i]); x1 = Math.max(x1, points[i]);
    y0 = Math.min(y0, points[i + 1]); y1 = Math.max(y1, points[i + 1]);
  }
  return [x0 - NEAR, y0 - NEAR, x1 - x0 + 2 * NEAR, y1 - y0 + 2 * NEAR];
}

function draw(): void {
  const layer = overlay();
  layer.replaceChildren();
  if (!net || at < 0) return;
  for (const line of ways[way][3][at][6]) {
    const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
    let d = `M${line[0]} ${line[1]}`;
    for (let i = 2; i < line.length; i += 2) d += `L${line[i]} ${line[i + 1]}`;
    path.setAttribute("d", line.length > 2 ? d : `${d}h1`);
    path.setAttribute("class", line.length > 2 ? "walked" : "walked spot");
    layer.append(path);
  }
}
function overlay(): SVGGElement {
  let group = board.board.querySelector<SVGGElement>(".walk-line");
  if (!group) {
    group = document.createElementNS("http://www.w3.org/2000/svg", "g");
    group.setAttribute("class", "walk-line");
    board.board.querySelector(".shapes")!.after(group);
  }
  return group;
}

function tell(): void {
  const panel = byId("walk");
  panel.hidden = !net;
  if (!net) return;
  const words = panel.querySelector(".walk-words")!, steps = panel.querySelector<HTMLElement>(".walk-steps")!;
  panel.querySelector(".walk-net")!.textContent = net;
  const select = panel.querySelector("select")!;
  select.hidden = ways.length < 2;
  steps.hidden = !ways.length;
  if (!ways.length) {
    words.textContent = "All of its copper is dark. It has no way from pin to pin that can be walked (a plane, a supply, or one pin only).";
    return;
  }
  const [from, to, mm, stretches] = ways[way];
  words.textContent = at < 0
    ? `${from} to ${to}: ${mm.toFixed(1)} mm in ${stretches.length} ${stretches.length === 1 ? "stretch" : "stretches"}.`
    : `${at + 1} of ${stretches.length}: ${describe(stretches[at])}.`;
}

export function open(name: string, { fly = true } = {}): void {
  const known = boxes.get(name);
  if (!known) return;
  [net, ways, way, at] = [name, data.walks[name] ?? [], 0, -1];
  const select = byId("walk").querySelector("select")!;
  select.replaceChildren(...ways.map(([from, to], i) => make("option", { value: String(i) }, `${from} to ${to}`)));
  const first = ways[0]?.[3].find(([kind]) => kind === "trace");
  draw();
  tell();
  board.show({ nets: [known.index], layer: first ? first[1] : undefined, trail: true, box: fly ? known.box : undefined });
}

export function step(by: number): boolean {
  if (!net || !ways.length) return false;
  const stretches = ways[way][3];
  at = Math.max(0, Math.min(stretches.length - 1, at + by));
  const stretch = stretches[at];
  draw();
  tell();
  board.show({ nets: [boxes.get(net)!.index], layer: stretch[1], under: stretch[5], trail: true, box: boxOf(stretch) });
  return true;
}

export function close(): void {
  if (!net) return;
  net = "";
  draw();
  tell();
}

export function start(closed: () => void): void {
  const panel = byId("walk");
  panel.querySelector("[data-walk='-1']")!.addEventListener("click", () => step(-1));
  panel.querySelector("[data-walk='1']")!.addEventListener("click", () => step(1));
  panel.querySelector("[data-walk='0']")!.addEventListener("click", closed);
  panel.querySelector("select")!.addEventListener("change", (event) => {
    way = Number((event.target as HTMLSelectElement).value);
    at = -1;
    draw();
    tell();
  });
}
