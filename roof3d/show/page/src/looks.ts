/** First looks from the server: what each message brings, put to what is known from those before. */

import { unpack, type Cells } from "./cells";
import type { Shown } from "./edges";
import { EMPTY, type PackedCells, type Plane, type Point, type Segment } from "./types";

/** A first look as it is drawn. */
export interface Look {
  number: number; // of the question it answers; 0: nobody asked
  version: number;
  id: string;
  alone: boolean;
  served_m2: number;
  took_ms?: number;
  cpu_ms?: number;
  planes: Pick<Plane, "id" | "grid">[];
  cells: Cells;
  shown: Shown[];
}

interface Head extends Omit<Look, "planes" | "cells" | "shown"> {
  planes?: Pick<Plane, "id" | "grid">[];
  cells?: PackedCells;
  edges: Record<string, Piece[]>;
  numbers: number[];
}

interface Piece {
  edge: string;
  from_m: number;
  to_m: number;
  ends: [Point, Point];
  outward: [number, number];
  state: string;
  anchor: string;
  figures?: Partial<Segment>;
  breaks?: string[];
}

export class Looks {
  private planes: Look["planes"] = [];
  private cells: Cells | null = null;
  private edges = new Map<string, Shown[]>();

  /** Reads a message; everything in it is remembered, whether the look is drawn or not. */
  take(message: ArrayBuffer): Look {
    const size = new DataView(message).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(message, 4, size))) as Head;
    if (head.cells) {
      this.planes = head.planes!;
      this.cells = unpack(head.cells)!;
      this.edges.clear();
    }
    for (const [edge, pieces] of Object.entries(head.edges)) this.edges.set(edge, pieces.map(piece));
    const count = this.cells!.count;
    const taut = new Int16Array(message, 4 + size, count);
    const served = new Uint8Array(message, 4 + size + 2 * count, count);
    let place = 0;
    const shown: Shown[] = [];
    for (const own of this.edges.values()) for (const one of own) shown.push({ ...one, number: head.numbers[place++]! });
    return { ...head, planes: this.planes, cells: { ...this.cells!, served, figures: { taut } }, shown };
  }
}

function piece(given: Piece): Shown {
  const segment = given.figures ? ({ ...EMPTY, ...given, ...given.figures } as Segment) : null;
  return { ...given, number: 0, breaks: given.breaks ?? [], figures: null, segment };
}
