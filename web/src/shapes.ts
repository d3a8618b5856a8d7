// The copper as the worker keeps it: read from the path data of the page's own drawing.
// Integers only: drawing units are micrometres.

export type Kind = "area" | "trace" | "pad" | "dot";
export interface Sent {
  kind: Kind;
  layer: number;
  width: number;
  d: string;
  nets: string;
}

// Shapes of one element. Points of ring r: points[2·ring[r]] … 2·ring[r+1]; rings of shape s: shape[s] … shape[s+1].
export interface Shapes {
  kind: Kind;
  layer: number;
  width: number;
  points: Int32Array;
  ring: Uint32Array;
  shape: Uint32Array;
  net: Int32Array;
  box: Int32Array; // four numbers a shape: x0, y0, x1, y1, the width of a stroke counted in
}

// Rings of path data as Quiet Copper writes it: "M x y", "l" pairs of steps, "h" a step, "z".
function rings(d: string): { points: Int32Array; ring: Uint32Array } {
  let points = new Int32Array(Math.max(16, d.length >> 1));
  const starts: number[] = [];
  let used = 0, x = 0, y = 0, at = 0, command = 0;
  const end = d.length;
  const number = (): number => {
    let code = d.charCodeAt(at);
    while (code === 32 || code === 44) code = d.charCodeAt(++at);
    let sign = 1, value = 0;
    if (code === 45) { sign = -1; code = d.charCodeAt(++at); }
    while (code >= 48 && code <= 57) { value = value * 10 + code - 48; code = d.charCodeAt(++at); }
    return sign * value;
  };
  const put = () => {
    if (used + 2 > points.length) {
      const larger = new Int32Array(points.length * 2);
      larger.set(points);
      points = larger;
    }
    points[used++] = x;
    points[used++] = y;
  };
  while (at < end) {
    const code = d.charCodeAt(at);
    if (code === 32) { at++; continue; }
    if (code > 64) { command = code; at++; if (code === 122) continue; }
    if (command === 77) { // M
      x = number(); y = number();
      starts.push(used >> 1);
      put();
      command = 108;
    } else if (command === 108) { x += number(); y += number(); put(); }
    else if (command === 104) { x += number(); put(); }
    else throw new Error(`path data with '${String.fromCharCode(command)}'`);
  }
  starts.push(used >> 1);
  return { points: points.slice(0, used), ring: Uint32Array.from(starts) };
}

export function parse(sent: Sent): Shapes {
  const { points, ring } = rings(sent.d);
  const count = ring.length - 1;
  const shape: number[] = [], net: number[] = [];
  let next = 0;
  const together = sent.kind === "area" || sent.kind === "pad"; // an entry is one shape of so many rings
  for (const entry of sent.nets.split(" ")) {
    if (!entry) continue;
    const [name, times] = entry.split("*");
    const many = times ? +times : 1;
    if (together) { shape.push(next); net.push(+name); next += many; }
    else for (let k = 0; k < many; k++) { shape.push(next++); net.push(+name); }
  }
  if (next !== count) throw new Error(`${count} pieces with ${next} owners`);
  shape.push(count);
  const box = new Int32Array(net.length * 4), half = Math.ceil(sent.width / 2);
  for (let s = 0; s < net.length; s++) {
    let x0 = Infinity, y0 = Infinity, x1 = -Infinity, y1 = -Infinity;
    for (let p = 2 * ring[shape[s]]; p < 2 * ring[shape[s + 1]]; p += 2) {
      const x = points[p], y = points[p + 1];
      if (x < x0) x0 = x;
      if (x > x1) x1 = x;
      if (y < y0) y0 = y;
      if (y > y1) y1 = y;
    }
    box.set([x0 - half, y0 - half, x1 + half, y1 + half], 4 * s);
  }
  return {
    kind: sent.kind, layer: sent.layer, width: sent.width, points, ring,
    shape: Uint32Array.from(shape), net: Int32Array.from(net), box,
  };
}
