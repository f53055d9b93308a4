/** The cells of the map, unpacked, and the raster of each plane in which they are painted. */

import type { Grid, PackedCells } from "./types";

export const NOTHING = -32768;
export const UNBOUNDED = 32767;
export const UNSURE = 5;

export interface Cells {
  count: number;
  step: number;
  x: Uint16Array;
  y: Uint16Array;
  size: Uint16Array;
  state: Uint8Array;
  served: Uint8Array;
  figures: Record<string, Int16Array | null>;
}

export function unpack(packed: PackedCells | null): Cells | null {
  if (!packed) return null;
  const figures: Cells["figures"] = {};
  for (const name of ["margin", "taut", "free_fall", "swing"] as const) {
    const text = packed[name];
    figures[name] = text ? new Int16Array(bytes(text)) : null;
  }
  return {
    count: packed.count,
    step: packed.step_m,
    x: new Uint16Array(bytes(packed.x)),
    y: new Uint16Array(bytes(packed.y)),
    size: new Uint16Array(bytes(packed.size)),
    state: new Uint8Array(bytes(packed.state)),
    served: new Uint8Array(bytes(packed.served)),
    figures,
  };
}

function bytes(text: string): ArrayBuffer {
  const raw = atob(text);
  const out = new Uint8Array(raw.length);
  for (let k = 0; k < raw.length; k++) out[k] = raw.charCodeAt(k);
  return out.buffer;
}

/** Which cell lies at each place of a plane's raster; -1 where none does. */
export function raster(grid: Grid, cells: Cells): Int32Array {
  const map = new Int32Array(grid.columns * grid.rows).fill(-1);
  for (let k = grid.first; k < grid.first + grid.count; k++) {
    const size = cells.size[k]!;
    const right = Math.min(grid.columns, cells.x[k]! + size);
    for (let row = cells.y[k]!; row < Math.min(grid.rows, cells.y[k]! + size); row++) {
      map.fill(k, row * grid.columns + cells.x[k]!, row * grid.columns + right);
    }
  }
  return map;
}

/** The cell at a place in plan, -1 for none. */
export function cellAt(grid: Grid, map: Int32Array, x: number, y: number): number {
  const column = Math.floor((x - grid.x) / grid.unit);
  const row = Math.floor((y - grid.y) / grid.unit);
  if (column < 0 || row < 0 || column >= grid.columns || row >= grid.rows) return -1;
  return map[row * grid.columns + column]!;
}

/** A figure of a cell in metres; null: none; Infinity: no bound. */
export function figure(cells: Cells, name: string, k: number): number | null {
  const value = cells.figures[name]?.[k];
  if (value === undefined || value === NOTHING) return null;
  return value === UNBOUNDED ? Infinity : value * cells.step;
}
