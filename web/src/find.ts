// Search over places, nets and parts; the places filtered by grade, check, layer and net.
import * as board from "./board";
import { all, byId, data, make, type Place } from "./data";
import { go, hold } from "./reading";

const MOST = 30;
interface Filter { grades: Set<string>; check: string; layer: string; net: string }
const filter: Filter = { grades: new Set(), check: "", layer: "", net: "" };
const netNumber = new Map(data.nets.map(([name, , index]) => [name, index]));

export function allowed(p: Place): boolean {
  return !filter.grades.has(p.grade) && (!filter.check || p.check === filter.check)
    && (!filter.layer || p.layers.includes(Number(filter.layer)))
    && (!filter.net || p.nets.includes(netNumber.get(filter.net) ?? -1));
}

function search(openNet: (net: string) => void): void {
  const finder = document.querySelector<HTMLElement>(".finder")!, field = byId<HTMLInputElement>("search"), list = byId("found");
  finder.hidden = false;
  const results = (text: string) => {
    const q = text.trim().toLowerCase();
    list.replaceChildren();
    if (!q) return;
    const hits: [string, string, () => void][] = [];
    for (const p of data.places)
      if (String(p.n) === q || p.title.toLowerCase().includes(q) || p.words.includes(q)) hits.push([`${p.n}  ${p.title}`, p.grade, () => go(p)]);
    const exact = data.nets.filter(([name]) => name.toLowerCase() === q);
    const others = data.nets.filter(([name]) => name.toLowerCase().includes(q) && name.toLowerCase() !== q);
    const parts = data.parts.filter(([ref]) => ref.toLowerCase().startsWith(q)).map(([ref, box, side]): [string, string, () => void] =>
      [ref, "part", () => board.show({ box, layer: side ? data.layers - 1 : 0 })]);
    const nets = [...exact, ...others].map(([name]): [string, string, () => void] => [name, "net", () => openNet(name)]);
    // names that are meant exactly come first, so that a net among many findings is found
    const shown = [...nets.slice(0, exact.length), ...hits.slice(0, MOST - 12), ...parts.slice(0, 6), ...nets.slice(exact.length)].slice(0, MOST);
    for (const [name, kind, act] of shown) {
      const button = make("button", { type: "button" }, name, make("small", {}, kind));
      button.addEventListener("click", () => {
        field.focus();
        list.replaceChildren();
        hold(900);
        act();
        // the keys go on where the search led: a place has taken the focus, a net gives it to its way, a part to the board
        if (document.activeElement === field)
          (document.querySelector<HTMLElement>("#walk:not([hidden]) [data-walk='1']") ?? board.board).focus({ preventScroll: true });
      });
      list.append(make("li", {}, button));
    }
    if (!shown.length) list.append(make("li", {}, "nothing of that name"));
  };
  field.addEventListener("input", () => results(field.value));
  finder.addEventListener("keydown", (event) => {
    const buttons = all<HTMLButtonElement>("button", list), at = buttons.indexOf(document.activeElement as HTMLButtonElement);
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      event.preventDefault();
      (buttons[at + (event.key === "ArrowDown" ? 1 : -1)] ?? (event.key === "ArrowUp" ? field : buttons[0]))?.focus();
    } else if (event.key === "Enter" && document.activeElement === field) {
      event.preventDefault(); // else the key would press what the focus moves to
      buttons[0]?.click();
    } else if (event.key === "Escape") { field.value = ""; list.replaceChildren(); field.blur(); }
    event.stopPropagation();
  });
  document.addEventListener("click", (event) => finder.contains(event.target as Node) || list.replaceChildren());
}

function apply(): void {
  let left = 0;
  const out = new Set<number>();
  for (const p of data.places) if (allowed(p)) left++; else out.add(p.n);
  all<HTMLElement>("[data-place]:not(.mark)").forEach((e) => e.classList.toggle("filtered-out", out.has(Number(e.dataset.place))));
  board.marks.forEach((m, n) => m.classList.toggle("filtered-out", out.has(n)));
  byId("filtered").textContent = left === data.places.length ? "" : `${left} of ${data.places.length} places`;
  board.tidySoon();
}

function choice(label: string, options: [string, string][], act: (value: string) => void): HTMLElement {
  const id = `only-${label}`;
  const select = make("select", { id }, make("option", { value: "" }, "all"), ...options.map(([value, text]) => make("option", { value }, text)));
  select.addEventListener("change", () => { act(select.value); apply(); });
  return make("span", {}, make("label", { for: id }, label), " ", select);
}

function filters(): void {
  const holder = document.querySelector<HTMLElement>(".filter");
  if (!holder || data.places.length < 2) return;
  holder.hidden = false;
  for (const grade of new Set(data.places.map((p) => p.grade))) {
    const button = make("button", { type: "button", "aria-pressed": "true" }, `${grade} (${data.places.filter((p) => p.grade === grade).length})`);
    button.addEventListener("click", () => {
      if (!filter.grades.delete(grade)) filter.grades.add(grade);
      button.setAttribute("aria-pressed", String(!filter.grades.has(grade)));
      apply();
    });
    holder.append(button);
  }
  const sorted = <T>(items: Iterable<T>) => [...new Set(items)].sort();
  const checks = sorted(data.places.map((p) => p.check)), used = new Set(data.places.flatMap((p) => p.nets));
  const layers = [...new Set(data.places.flatMap((p) => p.layers))].sort((a, b) => a - b);
  const nets = data.nets.filter(([, , index]) => used.has(index)).map(([name]): [string, string] => [name, name]);
  holder.append(
    choice("kind", checks.map((c) => [c, c]), (v) => { filter.check = v; }),
    choice("layer", layers.map((l) => [String(l), `${l + 1} ${data.names[l] ?? ""}`]), (v) => { filter.layer = v; }),
    choice("net", nets, (v) => { filter.net = v; }),
    make("output", { id: "filtered" }),
  );
}

export function start(openNet: (net: string) => void): void {
  search(openNet);
  filters();
}
