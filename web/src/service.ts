// What the page can do while it is served: decisions and comments, and changes tried on the board.
import { all, byId, data, decibels, make, readJson } from "./data";

interface Decision { state: string; reason: string; author: string; time: string }
interface Remark { text: string; author: string; time: string }
interface State { decisions: Record<string, Decision>; comments: { findings: Record<string, Remark[]>; causes: Record<string, Remark[]> }; problems: string[]; decisions_file: string; author: string; trials: { ready: boolean; problem: string } }
type Wanted = { cause: string } | { finding: string; remedy: number } | { step: number } | { dielectric: number; thickness_mm: number };
interface Tried {
  after: Record<string, number | "gone" | "unseen">;
  over_before: number;
  over_after: number;
  worst_after_db: number | null;
  new: { title: string; message: string; excess_db: number }[];
  more_new: number;
  notes: string[];
  unseen: string[];
}

const STATES: [string, string][] = [["agreed", "agreed, to be changed"], ["accepted", "accepted as it is"], ["not applicable", "not applicable"]];
let token = "";
const placeOf = new Map(data.places.map((p) => [p.finding, p]));

async function ask<T>(path: string, body?: unknown): Promise<T> {
  const headers: Record<string, string> = { "X-Review-Token": token };
  if (body !== undefined) headers["Content-Type"] = "application/json";
  const answer = await fetch(path, { method: body === undefined ? "GET" : "POST", headers, body: body === undefined ? undefined : JSON.stringify(body), cache: "no-store" });
  const text = await answer.text();
  let said: { problem?: string };
  try { said = JSON.parse(text); } catch { throw new Error(text.trim() || `status ${answer.status}`); }
  if (!answer.ok) throw new Error(said.problem ?? `status ${answer.status}`);
  return said as T;
}

// ------------------------------------------------------------------------------------------------------ decisions
function tellDecision(finding: string, d: Decision): void {
  const place = placeOf.get(finding), element = place && document.getElementById(place.id);
  if (!place || !element) return;
  let said = element.querySelector(".decision");
  if (!said) { said = make("p", { class: "decision" }); element.querySelector(".numbers")!.after(said); }
  said.replaceChildren(make("span", { class: "try" }, "Decided"), ` ${d.state}${d.reason ? `: ${d.reason}` : ""} (${[d.author, d.time.slice(0, 10)].filter(Boolean).join(", ")}).`);
  for (const holder of [element.querySelector(".what"), document.querySelector(`.ranking tr[data-place="${place.n}"] td:nth-child(2)`)]) {
    if (!holder) continue;
    let chip = holder.querySelector(".state");
    if (!chip) { chip = make("span", { class: "state" }); holder.append(" ", chip); }
    chip.textContent = d.state;
  }
}

function form(finding: string, state: State): HTMLElement {
  const name = `decide-${placeOf.get(finding)!.n}`;
  const held = state.decisions[finding];
  const radios = STATES.map(([value, text]) => {
    const input = make("input", { type: "radio", name, value });
    input.checked = held?.state === value;
    return make("label", {}, input, ` ${text}`);
  });
  const reason = make("textarea", { rows: "2", maxlength: "4000" }), author = make("input", { type: "text", maxlength: "200", autocomplete: "name" });
  reason.value = held?.reason ?? "";
  author.value = localAuthor(state);
  const button = make("button", { type: "submit" }, "record"), status = make("p", { class: "status", role: "status" });
  const element = make("form", { class: "decide" },
    make("fieldset", {}, make("legend", {}, "Decide"), ...radios),
    make("label", { class: "wide-field" }, "reason", reason),
    make("label", {}, "by", author), button, status);
  element.addEventListener("submit", async (event) => {
    event.preventDefault();
    const chosen = element.querySelector<HTMLInputElement>("input[type=radio]:checked");
    if (!chosen) { status.textContent = "Choose one of the three."; return; }
    button.disabled = true;
    try {
      const done = await ask<Decision>("/api/decide", { finding, state: chosen.value, reason: reason.value, author: author.value });
      state.decisions[finding] = done;
      signed(state, author.value);
      tellDecision(finding, done);
      status.textContent = `Recorded in ${state.decisions_file}.`;
    } catch (error) { status.textContent = `Not recorded: ${(error as Error).message}.`; }
    button.disabled = false;
  });
  return element;
}
const localAuthor = (state: State) => state.author;
// Who has signed once need not be written again into the forms that are open.
function signed(state: State, author: string): void {
  state.author = author;
  for (const field of all<HTMLInputElement>(".decide input[type=text]")) field.value ||= author;
}

// holder : what a place unfolds to, or a cause's section
function tellRemarks(holder: Element, remarks: Remark[]): void {
  let list = holder.querySelector(":scope > .comments");
  if (!list) {
    list = make("ul", { class: "comments", "aria-label": "Comments" });
    const after = [".decision", ".numbers", ".gain", "p"].map((q) => holder.querySelector(`:scope > ${q}`)).find(Boolean);
    if (after) after.after(list); else holder.append(list);
  }
  list.replaceChildren(...remarks.map(({ text, author, time }) => make("li", {}, `${text} (${[author, time.slice(0, 10)].filter(Boolean).join(", ")})`)));
}

function remarkForm(on: { finding: string } | { cause: string }, holder: Element, held: Remark[], state: State): HTMLElement {
  const text = make("textarea", { rows: "2", maxlength: "4000" }), author = make("input", { type: "text", maxlength: "200", autocomplete: "name" });
  author.value = localAuthor(state);
  const button = make("button", { type: "submit" }, "add the comment"), status = make("p", { class: "status", role: "status" });
  const form = make("form", { class: "decide" }, make("label", { class: "wide-field" }, "comment, without a decision", text), make("label", {}, "by", author), button, status);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    try {
      held.push(await ask<Remark>("/api/comment", { ...on, text: text.value, author: author.value }));
      signed(state, author.value);
      tellRemarks(holder, held);
      text.value = "";
      status.textContent = `Recorded in ${state.decisions_file}.`;
    } catch (error) { status.textContent = `Not recorded: ${(error as Error).message}.`; }
    button.disabled = false;
  });
  return make("details", { class: "remark" }, make("summary", {}, "comment"), form);
}

function decisions(state: State): void {
  for (const [finding, d] of Object.entries(state.decisions)) tellDecision(finding, d);
  for (const cause of data.causes) {
    const section = document.getElementById(cause.id);
    if (!section) continue;
    const held = (state.comments.causes[cause.cause] ??= []);
    if (held.length) tellRemarks(section, held);
    section.querySelector(":scope > .places")!.before(remarkForm({ cause: cause.cause }, section, held, state));
  }
  for (const place of data.places) {
    const element = document.getElementById(place.id) as HTMLDetailsElement | null;
    if (!element) continue;
    const inside = element.querySelector(".inside")!, held = (state.comments.findings[place.finding] ??= []);
    if (held.length) tellRemarks(inside, held);
    const add = () => {
      if (!element.open || element.querySelector(".decide")) return;
      inside.append(form(place.finding, state), remarkForm({ finding: place.finding }, inside, held, state));
    };
    element.addEventListener("toggle", add);
    add();
  }
}

// --------------------------------------------------------------------------------------------------------- trials
const wanted = new Map<string, { change: Wanted; button: HTMLElement | null; words: string }>();
let asked = 0;

function tryButton(key: string, change: Wanted, words: string): HTMLButtonElement {
  const button = make("button", { type: "button", class: "try-it", "aria-pressed": "false" }, "try it");
  button.setAttribute("aria-label", `try it: ${words}`);
  button.addEventListener("click", () => {
    if (wanted.delete(key)) button.setAttribute("aria-pressed", "false");
    else { wanted.set(key, { change, button, words }); button.setAttribute("aria-pressed", "true"); }
    void run();
  });
  return button;
}

function buttons(): void {
  data.causes.forEach((c) => {
    const gain = document.querySelector(`#${CSS.escape(c.id)} > .gain > p`);
    if (gain?.parentElement?.hasAttribute("data-change")) gain.append(" ", tryButton(`cause ${c.cause}`, { cause: c.cause }, gain.textContent!.trim()));
  });
  for (const p of data.places)
    for (const item of all<HTMLElement>("[data-remedy]", document.getElementById(p.id) ?? undefined))
      item.append(" ", tryButton(`place ${p.n} ${item.dataset.remedy}`, { finding: p.finding, remedy: Number(item.dataset.remedy) }, item.querySelector("span")!.textContent!));
  for (const item of all<HTMLElement>("[data-step]"))
    item.append(" ", tryButton(`step ${item.dataset.step}`, { step: Number(item.dataset.step) }, item.firstChild!.textContent!.trim()));
  const holder = byId("thicknesses");
  if (!holder || !data.sheets.length) return;
  holder.hidden = false;
  data.sheets.forEach((mm, i) => {
    if (mm === null) return;
    const input = make("input", { type: "number", min: "0.01", max: "20", step: "any", value: String(mm) });
    input.addEventListener("change", () => {
      const value = Number(input.value), key = `dielectric ${i}`;
      if (!input.value || !(value >= 0.01 && value <= 20)) { input.setCustomValidity("0.01 to 20 mm"); input.reportValidity(); return; }
      input.setCustomValidity("");
      if (value === mm) wanted.delete(key);
      else wanted.set(key, { change: { dielectric: i, thickness_mm: value }, button: null, words: `layers ${i + 1} and ${i + 2} are ${value} mm apart` });
      void run();
    });
    holder.append(make("label", {}, `layer ${i + 1} to ${i + 2}`, input, "mm"));
  });
}

function clear(): void {
  all(".then").forEach((e) => e.remove());
  all(".tried-away, .tried-worse").forEach((e) => e.classList.remove("tried-away", "tried-worse"));
}

function tell(tried: Tried): void {
  clear();
  for (const place of data.places) {
    const now = tried.after[place.finding];
    if (now === undefined || (typeof now === "number" && place.excess !== null && Math.abs(now - place.excess) < 0.05)) continue;
    const words = now === "gone" ? "gone" : now === "unseen" ? "not seen" : decibels(now);
    const better = now === "gone" || (typeof now === "number" && place.excess !== null && now < place.excess);
    for (const holder of [document.querySelector(`#${CSS.escape(place.id)} > summary .excess`), document.querySelector(`.ranking tr[data-place="${place.n}"] td:last-child`)]) {
      holder?.append(make("span", { class: "then" }, ` → ${words}`));
      holder?.parentElement?.classList.add(better ? "tried-away" : "tried-worse");
    }
  }
  for (const c of data.causes) {
    const left = c.places.map((n) => tried.after[data.places[n - 1].finding]).filter((v): v is number => typeof v === "number");
    const heading = document.querySelector(`#${CSS.escape(c.id)} h3`);
    heading?.append(make("span", { class: "then" }, left.length ? ` → worst ${decibels(Math.max(...left))}` : " → gone"));
  }
  const panel = byId("trial"), words = panel.querySelector(".trial-words")!;
  const worst = tried.worst_after_db === null ? "none is left" : `the worst of all has ${decibels(tried.worst_after_db)}`;
  words.textContent = `${wanted.size} ${wanted.size === 1 ? "change" : "changes"} tried: ${tried.over_before} → ${tried.over_after} places at or over their allowance, ${worst}.`;
  const more = panel.querySelector(".trial-more")!;
  more.replaceChildren();
  for (const n of tried.new) more.append(make("li", { class: "tried-worse" }, `New: ${n.title}, ${decibels(n.excess_db)}`));
  if (tried.more_new) more.append(make("li", {}, `and ${tried.more_new} more new ones`));
  if (tried.unseen.length) more.append(make("li", {}, `Sees less than before: ${tried.unseen.join(", ")}`));
  for (const note of tried.notes.slice(0, 8)) more.append(make("li", {}, note));
}

async function run(): Promise<void> {
  const mine = ++asked, panel = byId("trial"), words = panel.querySelector(".trial-words")!, bar = panel.querySelector("progress")!;
  panel.hidden = false;
  byId("saved").textContent = "";
  if (!wanted.size) {
    clear();
    panel.hidden = true;
    bar.hidden = true;
    return;
  }
  try {
    const { number } = await ask<{ number: number }>("/api/try", { changes: [...wanted.values()].map((w) => w.change) });
    for (;;) {
      if (mine !== asked) return;
      const now = await ask<{ stage?: string; done?: number; total?: number; result?: Tried; problem?: string; superseded?: boolean }>(`/api/try/${number}`);
      if (mine !== asked || now.superseded) return;
      if (now.result) { bar.hidden = true; tell(now.result); return; }
      if (now.problem) throw new Error(now.problem);
      bar.hidden = false;
      bar.max = now.total ?? 1;
      bar.value = now.done ?? 0;
      words.textContent = `Solving again: ${now.stage}`;
      await new Promise((done) => setTimeout(done, 250));
    }
  } catch (error) {
    if (mine !== asked) return;
    bar.hidden = true;
    clear();
    panel.querySelector(".trial-more")!.replaceChildren();
    words.textContent = `Not solved: ${(error as Error).message}`;
  }
}

async function save(): Promise<void> {
  const status = byId("saved");
  try {
    const done = await ask<{ name: string; command: string }>("/api/plan", { changes: [...wanted.values()].map((w) => w.change) });
    status.replaceChildren("Saved as ", make("a", { href: `/${done.name}`, download: done.name }, done.name), ` beside the page; ${done.command}`);
  } catch (error) { status.textContent = `Not saved: ${(error as Error).message}`; }
}

function undo(): void {
  for (const { button } of wanted.values()) button?.setAttribute("aria-pressed", "false");
  wanted.clear();
  all<HTMLInputElement>("#thicknesses input").forEach((input) => { input.value = input.defaultValue; });
  void run();
}

export async function start(): Promise<void> {
  const said = readJson<{ token: string } | null>("service");
  if (!said || !location.protocol.startsWith("http")) return;
  token = said.token;
  document.documentElement.classList.add("served");
  const state = await ask<State>("/api/state");
  decisions(state);
  if (state.trials.problem) {
    byId("trial").hidden = false;
    byId("trial").querySelector(".trial-words")!.textContent = `Changes cannot be tried: ${state.trials.problem}.`;
    return;
  }
  buttons();
  byId("save-plan").addEventListener("click", () => void save());
  byId("undo-trial").addEventListener("click", undo);
}
