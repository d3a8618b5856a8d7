// Light or dark: the system's wish, until the reader wants the other.
import * as board from "./board";

const KEPT = "quietcopper-scheme";
export function start(): void {
  const root = document.documentElement, button = document.querySelector<HTMLButtonElement>("[data-scheme-button]")!;
  const dark = () => root.dataset.scheme ? root.dataset.scheme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  const name = () => { button.textContent = dark() ? "on light ground" : "on dark ground"; };
  try { const kept = localStorage.getItem(KEPT); if (kept === "dark" || kept === "light") root.dataset.scheme = kept; } catch { /* a page from disk may have no storage */ }
  button.hidden = false;
  button.addEventListener("click", () => {
    root.dataset.scheme = dark() ? "light" : "dark";
    try { localStorage.setItem(KEPT, root.dataset.scheme); } catch { /* it holds for this visit */ }
    name();
    board.sheet?.repaint();
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", name);
  name();
}
