// What Python puts into the page.
export type Box = [number, number, number, number]; // x, y, width, height in drawing units (µm), y downward

export interface Place {
  n: number;
  id: string;
  title: string;
  grade: string;
  at: [number, number];
  window: Box;
  layer: number;
  nets: number[];
  layers: number[];
  check: string;
  finding: string;
  excess: number | null;
  words: string;
}

export interface Cause {
  id: string;
  window: Box;
  layer: number;
  places: number[];
  cause: string;
}

// kind, layer, length in mm, ohm, reference, its layer, lines
export type Stretch = [string, number, number, number | null, string, number, number[][]];
export type Way = [string, string, number, Stretch[]];

export interface Data {
  places: Place[];
  causes: Cause[];
  nets: [string, Box, number][];
  parts: [string, Box, number][];
  walks: Record<string, Way[]>;
  names: string[];
  sheets: (number | null)[];
  layers: number;
  size: number;
}

export const readJson = <T>(id: string): T => JSON.parse(document.getElementById(id)!.textContent!) as T;
export const data = readJson<Data>("review-data");

export const byId = <T extends HTMLElement>(id: string): T => document.getElementById(id) as T;
export const all = <T extends Element>(query: string, root: ParentNode = document): T[] => [
  ...root.querySelectorAll<T>(query),
];

// An element with text; names from the board file never pass through HTML.
export function make<K extends keyof HTMLElementTagNameMap>(
  tag: K,
  attributes: Record<string, string> = {},
  ...inside: (Node | string)[]
): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...inside);
  return element;
}

// Another text where one stands already. A new node, even with the same text, has the browser match all rules anew that
// ask what a part of the page contains: on a long review some hundred milliseconds.
export function write(element: Element, text: string): void {
  const { firstChild } = element;
  if (element.childNodes.length === 1 && firstChild instanceof Text) {
    if (firstChild.data !== text) firstChild.data = text;
  } else if (element.textContent !== text) element.textContent = text;
}

export const MINUS = "−";
export const decibels = (value: number): string =>
  `${value < 0 ? MINUS : "+"}${Math.abs(value).toFixed(1)} dB`;
