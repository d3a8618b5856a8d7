// The board follows the reading; an address names a place, a cause, or a stretch of the board.
import * as board from "./board";
import { all, data, type Box, type Cause, type Place } from "./data";

const byAnchor = new Map(data.places.map((p) => [p.id, p]));
const causeByAnchor = new Map(data.causes.map((c) => [c.id, c]));
export let current = 0;
let quietUntil = 0;
let reading = "";
export const hold = (ms: number) => { quietUntil = performance.now() + ms; };
const left: (() => void)[] = [];
// Told when another place, cause or the whole board is shown.
export const onLeave = (act: () => void) => left.push(act);

export function rest(): void {
  left.forEach((act) => act());
  current = 0;
  reading = "";
  board.show({ box: board.whole });
}
const showCause = (c: Cause) => { left.forEach((act) => act()); board.show({ places: c.places, box: c.window, layer: c.layer }); };
const showPlace = (p: Place) => { left.forEach((act) => act()); current = p.n; board.show({ places: [p.n], box: p.window, layer: p.layer }); };

function reveal(element: Element): void {
  for (let e: Element | null = element; e; e = e.parentElement) if (e instanceof HTMLDetailsElement) e.open = true;
}

export function go(place: Place, { scroll = true, address = true } = {}): void {
  const element = document.getElementById(place.id);
  if (element) {
    reveal(element);
    hold(900);
    reading = place.id;
    if (scroll) element.scrollIntoView({ block: "start" });
    element.querySelector<HTMLElement>("summary")?.focus({ preventScroll: true });
  }
  showPlace(place);
  if (address) history.replaceState(null, "", `#${place.id}`);
}

// The place or cause that lies across the reading line.
function follow(): void {
  if (performance.now() < quietUntil || !matchMedia("(min-width: 68rem)").matches) return;
  const line = innerHeight * 0.38;
  // What lies in a closed fold has a box as well, which others are drawn over.
  const across = (e: Element) => { const r = e.getBoundingClientRect(); return r.top <= line && r.bottom > line && e.checkVisibility(); };
  const cause = all(".cause").filter(across).at(-1); // the inner one of a cause that goes with another
  all(".cause.reading").forEach((c) => c !== cause && c.classList.remove("reading"));
  cause?.classList.add("reading");
  const place = cause && all(".place[open]", cause).find(across);
  const key = place ? place.id : cause ? cause.id : "";
  if (key === reading) return;
  reading = key;
  if (place) showPlace(byAnchor.get(place.id)!);
  else if (cause) showCause(causeByAnchor.get(cause.id)!);
  else rest();
}

// "#x=38.00&y=23.00&w=12.0&layer=4&net=SCK": the middle and the width of what is seen, mm
export function writeAddress(net: string): void {
  const [x, y, w, h] = board.view;
  const said = new URLSearchParams({
    x: ((x + w / 2) / 1000).toFixed(2), y: (-(y + h / 2) / 1000).toFixed(2), w: (w / 1000).toFixed(1), layer: String(board.layer() + 1),
  });
  if (net) said.set("net", net);
  history.replaceState(null, "", `#${said}`);
}

export function fromAddress(openNet: (net: string) => void): void {
  const hash = location.hash.slice(1);
  const place = byAnchor.get(safe(hash)), cause = causeByAnchor.get(hash);
  if (place) return go(place, { address: false });
  if (cause) { hold(900); return showCause(cause); }
  const said = new URLSearchParams(hash);
  const [x, y, w] = ["x", "y", "w"].map((key) => Number(said.get(key) ?? NaN));
  if (said.get("net")) openNet(said.get("net")!);
  if (![x, y, w].every(Number.isFinite) || w <= 0) return;
  const wide = Math.min(Math.max(w * 1000, 600), board.whole[2] * 2), tall = (wide * board.whole[3]) / board.whole[2];
  const box: Box = [x * 1000 - wide / 2, -y * 1000 - tall / 2, wide, tall];
  const layer = Number(said.get("layer")) - 1;
  if (layer >= 0 && layer < board.layers) board.pickLayer(layer);
  board.fly(box);
}
function safe(text: string): string {
  try { return decodeURIComponent(text); } catch { return ""; }
}

export function start(): void {
  let waiting = 0;
  addEventListener("scroll", () => { clearTimeout(waiting); waiting = window.setTimeout(follow, 90); }, { passive: true });
  all<HTMLDetailsElement>(".place").forEach((d) => d.addEventListener("toggle", () => {
    if (d.open && d.contains(document.activeElement)) { hold(500); reading = d.id; showPlace(byAnchor.get(d.id)!); }
  }));
  all<HTMLElement>(".place > summary, .ranking tr[data-place]").forEach((row) => {
    const n = Number((row.dataset.place ? row : row.parentElement!).dataset.place);
    row.addEventListener("mouseenter", () => board.marks.get(n)?.classList.add("on"));
    row.addEventListener("mouseleave", () => board.shown.has(n) || board.marks.get(n)?.classList.remove("on"));
  });
  board.marks.forEach((m, n) => m.addEventListener("click", () => go(data.places[n - 1])));
  document.querySelector(".tools [data-whole]")!.addEventListener("click", () => { rest(); history.replaceState(null, "", location.pathname + location.search); });
}

export function step(by: number, allowed: (place: Place) => boolean): void {
  const places = data.places.filter(allowed);
  if (!places.length) return;
  const at = places.findIndex((p) => p.n === current);
  go(places[at < 0 ? (by > 0 ? 0 : places.length - 1) : (at + by + places.length) % places.length]);
}
