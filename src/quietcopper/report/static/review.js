"use strict";
// The page reads without this. Here the board follows the reading: it moves to the cause or place that is read, dims
// the rest, and answers to keys, wheel and pointer. One state, one function that shows it.
(() => {
  const board = document.getElementById("board");
  const data = JSON.parse(document.getElementById("review-data").textContent);
  if (!board) return;
  document.documentElement.classList.add("js");
  const whole = board.dataset.whole.split(" ").map(Number);
  const marks = new Map([...board.querySelectorAll(".mark")].map((m) => [Number(m.dataset.place), m]));
  const found = new Map([...board.querySelectorAll("[data-shape]")].map((g) => [Number(g.dataset.shape), g]));
  const byAnchor = new Map(data.places.map((p) => [p.id, p]));
  const causeByAnchor = new Map(data.causes.map((c) => [c.id, c]));
  const picks = [...document.querySelectorAll('input[name="layer"]')];
  const hatch = document.getElementById("hatch");
  const spacing = Number(hatch.getAttribute("width")) / whole[2];
  const calm = matchMedia("(prefers-reduced-motion: reduce)").matches || data.size > 12000;
  let shown = new Set();
  let current = 0;
  let view = [...whole];
  let flight = 0;

  function apply(box) {
    view = box;
    board.setAttribute("viewBox", box.map(Math.round).join(" "));
    const frame = board.getBoundingClientRect();
    if (!frame.width) return;
    const px = Math.max(box[2] / frame.width, box[3] / frame.height);
    board.style.setProperty("--px", px);
    hatch.setAttribute("patternTransform", `rotate(45) scale(${(px * 7) / (spacing * whole[2])})`);
    board.classList.toggle("near", px < 60);
    bar(px, box, frame);
    tidySoon();
  }

  function bar(px, box, frame) {
    const target = (box[2] / 1000) / 5;
    const power = 10 ** Math.floor(Math.log10(target));
    const length = power * [5, 2, 1].find((f) => f * power <= target * 1.0001);
    const group = board.querySelector(".scale-bar");
    const wide = (length * 1000) / px;
    const left = box[0] + box[2] / 2 - (frame.width * px) / 2;
    const low = box[1] + box[3] / 2 + (frame.height * px) / 2;
    group.setAttribute("transform", `translate(${left} ${low}) scale(${px})`);
    group.querySelector("rect").setAttribute("width", wide + 62);
    group.querySelector("path").setAttribute("d", `M14 -13h${wide}m0 -3v6m${-wide} 0v-6`);
    const text = group.querySelector("text");
    text.setAttribute("x", wide + 20);
    text.textContent = length >= 0.1 ? `${+length.toPrecision(1)} mm` : `${+(length * 1000).toPrecision(1)} µm`;
  }

  function fly(target) {
    cancelAnimationFrame(flight);
    const frame = board.getBoundingClientRect();
    const aspect = frame.width / Math.max(frame.height, 1);
    const [x, y, w, h] = target;
    const wide = Math.max(w, h * aspect), tall = Math.max(h, w / aspect);
    const goal = [x + w / 2 - wide / 2, y + h / 2 - tall / 2, wide, tall];
    if (calm) return apply(goal);
    const from = [...view], began = performance.now();
    const step = (now) => {
      const t = Math.min(1, (now - began) / 420), s = t * t * (3 - 2 * t);
      const width = from[2] * (goal[2] / from[2]) ** s;
      const share = Math.abs(goal[2] - from[2]) < 1 ? s : (width - from[2]) / (goal[2] - from[2]);
      apply(from.map((v, i) => v + (goal[i] - v) * share));
      if (t < 1) flight = requestAnimationFrame(step);
    };
    flight = requestAnimationFrame(step);
  }

  // marks that lie on each other share the label of the worst; the same rule as in the picture that was drawn
  let tidying = 0;
  function tidy() {
    const px = Math.max(view[2] / board.clientWidth, view[3] / board.clientHeight), leaders = [];
    const order = [...data.places].sort((a, b) => shown.has(b.n) - shown.has(a.n) || a.n - b.n);
    for (const place of order) {
      const mark = marks.get(place.n);
      if (!mark || getComputedStyle(mark).display === "none") continue;
      const leader = leaders.find((l) => Math.hypot(l.x - place.at[0], l.y - place.at[1]) < 20 * px);
      if (leader && shown.has(leader.numbers[0]) === shown.has(place.n)) leader.numbers.push(place.n);
      if (!leader) leaders.push({ x: place.at[0], y: place.at[1], numbers: [place.n] });
      mark.classList.toggle("crowded", Boolean(leader));
    }
    for (const { numbers } of leaders) marks.get(numbers[0]).querySelector("text").textContent =
      numbers.length <= 3 ? numbers.join(", ") : `${numbers[0]} +${numbers.length - 1}`;
  }
  function tidySoon() { clearTimeout(tidying); tidying = setTimeout(tidy, 60); }

  function pick(layer) {
    if (picks[layer]) picks[layer].checked = true;
    caption();
  }
  const layer = () => picks.findIndex((p) => p.checked);
  function caption() {
    const name = document.getElementById("layer-name");
    if (name) name.textContent = layer() + 1;
    tidySoon();
  }

  // show: which places are meant (empty: none), where to look, on which layer
  function show(places, target, onLayer) {
    for (const n of shown) {
      marks.get(n)?.classList.remove("on");
      found.get(n)?.classList.remove("on");
    }
    board.querySelectorAll(".net.on").forEach((g) => g.classList.remove("on"));
    shown = new Set(places);
    marks.forEach((m, n) => m.classList.toggle("off", shown.size > 0 && !shown.has(n)));
    const nets = new Set();
    for (const n of shown) {
      const mark = marks.get(n);
      mark?.classList.add("on");
      found.get(n)?.classList.add("on");
      data.places[n - 1].nets.forEach((net) => nets.add(net));
    }
    if (nets.size <= 40) nets.forEach((net) => board.querySelectorAll(`.net[data-net="${net}"]`).forEach((g) => g.classList.add("on")));
    board.classList.toggle("dimmed", shown.size > 0);
    tidySoon();
    if (onLayer !== undefined && onLayer >= 0) pick(onLayer);
    fly(target);
  }
  const rest = () => { current = 0; show([], whole); };
  const showCause = (c) => show(c.places, c.window, c.layer);
  const showPlace = (p) => { current = p.n; show([p.n], p.window, p.layer); };

  function reveal(element) {
    for (let e = element; e; e = e.parentElement) if (e.tagName === "DETAILS") e.open = true;
  }

  // following the text: the place or cause that lies across the reading line
  let quietUntil = 0;
  function follow() {
    if (performance.now() < quietUntil || !matchMedia("(min-width: 68rem)").matches) return;
    const line = innerHeight * 0.38;
    const across = (e) => { const r = e.getBoundingClientRect(); return r.top <= line && r.bottom > line && r.height > 0; };
    const cause = [...document.querySelectorAll(".cause")].find(across);
    document.querySelectorAll(".cause.reading").forEach((c) => c !== cause && c.classList.remove("reading"));
    cause?.classList.add("reading");
    const place = cause && [...cause.querySelectorAll(".place[open]")].find(across);
    const key = place ? place.id : cause ? cause.id : "";
    if (key === follow.key) return;
    follow.key = key;
    if (place) showPlace(byAnchor.get(place.id));
    else if (cause) showCause(causeByAnchor.get(cause.id));
    else rest();
  }
  let waiting = 0;
  addEventListener("scroll", () => { clearTimeout(waiting); waiting = setTimeout(follow, 90); }, { passive: true });

  function hold(ms) { quietUntil = performance.now() + ms; }
  function go(place, { scroll = true, address = true } = {}) {
    const element = document.getElementById(place.id);
    if (element) {
      reveal(element);
      hold(900);
      follow.key = place.id;
      if (scroll) element.scrollIntoView({ block: "start" });
      element.querySelector("summary")?.focus({ preventScroll: true });
    }
    showPlace(place);
    if (address) history.replaceState(null, "", `#${place.id}`);
  }
  function fromAddress() {
    const place = byAnchor.get(decodeURIComponent(location.hash.slice(1)));
    const cause = causeByAnchor.get(location.hash.slice(1));
    if (place) go(place, { address: false });
    else if (cause) showCause(cause);
  }
  addEventListener("hashchange", fromAddress);
  document.querySelectorAll(".place").forEach((d) => d.addEventListener("toggle", () => {
    if (d.open && d.contains(document.activeElement)) { hold(500); follow.key = d.id; showPlace(byAnchor.get(d.id)); }
  }));
  document.querySelectorAll(".place > summary, .ranking tr[data-place]").forEach((row) => {
    const n = Number((row.dataset.place ? row : row.parentElement).dataset.place);
    row.addEventListener("mouseenter", () => marks.get(n)?.classList.add("on"));
    row.addEventListener("mouseleave", () => shown.has(n) || marks.get(n)?.classList.remove("on"));
  });
  marks.forEach((m, n) => m.addEventListener("click", () => go(data.places[n - 1])));

  // pointer and wheel
  const point = (event) => {
    const frame = board.getBoundingClientRect();
    const px = Math.max(view[2] / frame.width, view[3] / frame.height);
    return [view[0] + view[2] / 2 + (event.clientX - frame.left - frame.width / 2) * px,
      view[1] + view[3] / 2 + (event.clientY - frame.top - frame.height / 2) * px, px];
  };
  function zoom(factor, at) {
    const w = Math.min(Math.max(view[2] * factor, 600), whole[2] * 2), f = w / view[2];
    const [x, y] = at ?? [view[0] + view[2] / 2, view[1] + view[3] / 2];
    apply([x - (x - view[0]) * f, y - (y - view[1]) * f, w, view[3] * f]);
  }
  board.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoom(Math.exp(Math.max(-80, Math.min(80, event.deltaY)) / 300), point(event));
  }, { passive: false });
  let drag = null;
  board.addEventListener("pointerdown", (event) => {
    if (event.button || event.target.closest(".mark")) return;
    drag = [event.clientX, event.clientY, [...view], point(event)[2]];
    board.setPointerCapture(event.pointerId);
    board.classList.add("dragging");
  });
  board.addEventListener("pointermove", (event) => {
    if (!drag) return;
    const [x, y, from, px] = drag;
    apply([from[0] - (event.clientX - x) * px, from[1] - (event.clientY - y) * px, from[2], from[3]]);
  });
  for (const end of ["pointerup", "pointercancel"]) board.addEventListener(end, () => { drag = null; board.classList.remove("dragging"); });
  const tools = document.querySelector(".tools");
  tools.hidden = false;
  tools.querySelectorAll("[data-zoom]").forEach((b) => b.addEventListener("click", () => zoom(Number(b.dataset.zoom))));
  tools.querySelector("[data-whole]").addEventListener("click", rest);
  picks.forEach((p) => p.addEventListener("change", caption));

  // search
  const finder = document.querySelector(".finder"), search = document.getElementById("search"), list = document.getElementById("found");
  finder.hidden = false;
  function results(text) {
    const q = text.trim().toLowerCase();
    list.replaceChildren();
    if (!q) return;
    const hits = [];
    for (const p of data.places) if (String(p.n) === q || p.title.toLowerCase().includes(q) || p.words.includes(q)) hits.push([`${p.n}  ${p.title}`, p.grade, () => go(p)]);
    for (const [ref, box, side] of data.parts) if (ref.toLowerCase().startsWith(q)) hits.push([ref, "part", () => show([], box, side ? data.layers - 1 : 0)]);
    for (const [name, box] of data.nets) if (name.toLowerCase().includes(q)) hits.push([name, "net", () => show([], box)]);
    for (const [name, kind, act] of hits.slice(0, 30)) {
      const button = document.createElement("button"), small = document.createElement("small");
      button.type = "button";
      button.textContent = name;
      small.textContent = kind;
      button.append(small);
      button.addEventListener("click", () => { list.replaceChildren(); hold(900); act(); });
      const item = document.createElement("li");
      item.append(button);
      list.append(item);
    }
    if (!hits.length) list.append(Object.assign(document.createElement("li"), { textContent: "nothing of that name" }));
  }
  search.addEventListener("input", () => results(search.value));
  finder.addEventListener("keydown", (event) => {
    const buttons = [...list.querySelectorAll("button")], at = buttons.indexOf(document.activeElement);
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      event.preventDefault();
      (buttons[at + (event.key === "ArrowDown" ? 1 : -1)] ?? (event.key === "ArrowUp" ? search : buttons[0]))?.focus();
    } else if (event.key === "Enter" && document.activeElement === search) buttons[0]?.click();
    else if (event.key === "Escape") { search.value = ""; list.replaceChildren(); search.blur(); }
    event.stopPropagation();
  });
  document.addEventListener("click", (event) => finder.contains(event.target) || list.replaceChildren());

  // filter by grade
  const filter = document.querySelector(".filter");
  const grades = [...new Set(data.places.map((p) => p.grade))];
  if (filter && grades.length > 1) {
    filter.hidden = false;
    const off = new Set();
    for (const grade of grades) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = `${grade} (${data.places.filter((p) => p.grade === grade).length})`;
      button.setAttribute("aria-pressed", "true");
      button.addEventListener("click", () => {
        if (off.delete(grade) === false) off.add(grade);
        button.setAttribute("aria-pressed", String(!off.has(grade)));
        document.querySelectorAll("[data-grade]").forEach((e) => e.classList.toggle("filtered-out", off.has(e.dataset.grade)));
        marks.forEach((m, n) => m.classList.toggle("filtered-out", off.has(data.places[n - 1].grade)));
        tidySoon();
      });
      filter.append(button);
    }
  }

  // keys
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, textarea")) return;
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      if (!data.places.length) return;
      event.preventDefault();
      const by = event.key === "ArrowDown" ? 1 : -1;
      go(data.places[(current - 1 + by + (current === 0 && by < 0 ? 1 : 0) + data.places.length) % data.places.length]);
    } else if (event.key === "l" || event.key === "L") {
      pick((layer() + (event.shiftKey ? picks.length - 1 : 1)) % picks.length);
    } else if (event.key === "/") {
      event.preventDefault();
      search.focus();
      search.select();
    } else if (event.key === "Escape") { follow.key = ""; rest(); }
  });

  // paper cannot be unfolded: short reviews are printed whole, of long ones the tables
  let unfolded = [];
  addEventListener("beforeprint", () => {
    cancelAnimationFrame(flight);
    show([], whole);
    cancelAnimationFrame(flight);
    apply(whole);
    const folded = [...document.querySelectorAll(data.places.length <= 60 ? ".tail:not([open])" : "#ranking .tail:not([open]), #assumed .tail:not([open])")];
    unfolded = folded.filter((d) => !d.closest("#solved"));
    unfolded.forEach((d) => { d.open = true; });
  });
  addEventListener("afterprint", () => unfolded.forEach((d) => { d.open = false; }));
  addEventListener("resize", () => apply(view));
  apply(whole);
  fromAddress();
})();
