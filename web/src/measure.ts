// Distance between two points of the board, by pointer, or by keys with the middle of the view as the second point.
import * as board from "./board";
import { byId, MINUS, write } from "./data";

let on = false;
let from: [number, number] | null = null;
let to: [number, number] | null = null;
export const active = () => on;

const group = () => board.board.querySelector<SVGGElement>(".measure")!;
const middle = (): [number, number] => [board.view[0] + board.view[2] / 2, board.view[1] + board.view[3] / 2];

function draw(): void {
  const [a, b] = [from, to ?? (from && middle())];
  const px = board.scale(), cross = 9 * px, at = to ?? middle();
  const line = a && b ? `M${a[0]} ${a[1]}L${b[0]} ${b[1]}` : "";
  const ends = [a, at].filter(Boolean).map((p) => `M${p![0] - cross} ${p![1]}h${2 * cross}m${-cross} ${-cross}v${2 * cross}`).join("");
  group().querySelector("path")!.setAttribute("d", on ? line + ends : "");
  const words = byId("measured");
  words.hidden = !on;
  if (!on) return;
  if (!a || !b) { words.textContent = "Measure: click two points, or move the board under the cross and press M at each."; return; }
  const dx = (b[0] - a[0]) / 1000, dy = -(b[1] - a[1]) / 1000;
  const mm = (value: number) => value.toFixed(3).replace("-", MINUS);
  write(words, `${mm(Math.hypot(dx, dy))} mm (x ${mm(dx)}, y ${mm(dy)})`);
}

// A point of the line: the first, the second, or the first of a new one.
export function put(x: number, y: number): void {
  if (!from || to) { from = [x, y]; to = null; } else to = [x, y];
  draw();
}
export function key(): void {
  if (!on) { on = true; from = to = null; press(); draw(); } else put(...middle());
}
export function stop(): boolean {
  if (!on) return false;
  on = false;
  from = to = null;
  press();
  draw();
  return true;
}
function press(): void {
  document.querySelector("[data-measure]")!.setAttribute("aria-pressed", String(on));
  board.board.classList.toggle("measuring", on);
}

export function start(): void {
  const button = document.querySelector("[data-measure]")!;
  button.addEventListener("click", () => { if (!stop()) key(); });
  const g = document.createElementNS("http://www.w3.org/2000/svg", "g");
  g.setAttribute("class", "measure");
  g.append(document.createElementNS("http://www.w3.org/2000/svg", "path"));
  board.board.append(g);
  board.onMove(() => { if (on) draw(); });
}
