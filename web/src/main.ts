// The page reads without this. Here the board follows the reading: it moves to the cause, place or net that is read,
// dims the rest, and answers to keys, wheel and pointer.
import * as board from "./board";
import { all, data } from "./data";
import * as find from "./find";
import * as measure from "./measure";
import * as reading from "./reading";
import * as scheme from "./scheme";
import * as service from "./service";
import * as walk from "./walk";

document.documentElement.classList.add("js");

function openNet(name: string): void {
  reading.hold(900);
  walk.open(name);
}
async function click(x: number, y: number, px: number): Promise<void> {
  if (measure.active()) return measure.put(x, y);
  const net = await board.sheet?.pick(x, y, 3 * px);
  const name = net === undefined ? undefined : walk.nameOf.get(net);
  if (!name) return;
  reading.hold(900);
  walk.open(name, { fly: false });
  reading.writeAddress(name);
}
function leaveNet(): void {
  walk.close();
  reading.rest();
  history.replaceState(null, "", location.pathname + location.search);
}

function keys(event: KeyboardEvent): void {
  const target = event.target as Element;
  if (event.ctrlKey || event.metaKey || event.altKey || target.matches("input:not([type=radio]), textarea, select")) return;
  const { key } = event;
  if (key === "ArrowDown" || key === "ArrowUp") {
    if (target.matches("input")) return;
    reading.step(key === "ArrowDown" ? 1 : -1, find.allowed);
  } else if (key === "ArrowRight" || key === "ArrowLeft") {
    if (target.matches("input") || !walk.step(key === "ArrowRight" ? 1 : -1)) return;
    reading.hold(900);
  } else if (key === "l" || key === "L") board.pickLayer((board.layer() + (event.shiftKey ? board.layers - 1 : 1)) % board.layers);
  else if (key === "m" || key === "M") measure.key();
  else if (key === "/") { const field = document.getElementById("search") as HTMLInputElement; field.focus(); field.select(); }
  else if (key === "Escape") { if (!measure.stop()) leaveNet(); }
  else return;
  event.preventDefault();
}

// paper cannot be unfolded: short reviews are printed whole, of long ones the tables
function paper(): void {
  let unfolded: HTMLDetailsElement[] = [];
  addEventListener("beforeprint", () => {
    board.stop();
    walk.close();
    board.show({});
    board.look([...board.whole]);
    const folded = all<HTMLDetailsElement>(data.places.length <= 60 ? ".tail:not([open])" : "#ranking .tail:not([open]), #assumed .tail:not([open])");
    unfolded = folded.filter((d) => !d.closest("#solved"));
    unfolded.forEach((d) => { d.open = true; });
  });
  addEventListener("afterprint", () => unfolded.forEach((d) => { d.open = false; }));
}

if (board.board) {
  scheme.start();
  board.start((x, y, px) => void click(x, y, px), () => { reading.hold(600); reading.writeAddress(walk.net); });
  measure.start();
  walk.start(leaveNet);
  reading.onLeave(walk.close);
  reading.start();
  find.start(openNet);
  document.addEventListener("keydown", keys);
  let still = 0;
  board.onMove(() => {
    clearTimeout(still);
    if (walk.net) still = window.setTimeout(() => walk.net && reading.writeAddress(walk.net), 300);
  });
  paper();
  const open = () => reading.fromAddress((name) => { reading.hold(900); walk.open(name); });
  addEventListener("hashchange", open);
  open();
  service.start().catch((error: Error) => {
    const panel = document.getElementById("trial")!;
    panel.hidden = false;
    panel.querySelector(".trial-words")!.textContent = `The service does not answer: ${error.message}`;
  });
}
