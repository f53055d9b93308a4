/** Which colour and pattern a cell has on each layer, and the same scale as rows of a legend. */

import { figure, UNSURE, type Cells } from "./cells";
import { FALL_STATES, STATES, type Colours, type Layer } from "./types";
import type { Words } from "./words";

/** Patterns over a colour; alone they tell apart what colour tells apart. */
export const PLAIN = 0;
export const HATCH = 1;
export const BACK_HATCH = 2;
export const SWING_ROWS = 3;
export const LIMIT_COLUMNS = 4;
export const OUTSIDE = 8;

export interface Paint {
  colour: string;
  pattern: number;
}

export interface Row extends Paint {
  text: string;
  rule?: string; // words under a line drawn above this row
}

/** The band of a figure, 0 the worst, rounded to the worse side. */
export function band(value: number, step: number, count: number): number {
  const half = count / 2;
  let index = Math.floor(value / step + 1e-9);
  if (value < 0 && index >= 0) index = -1;
  return Math.min(Math.max(index, -half), half - 1) + half;
}

export function paint(cells: Cells, k: number, layer: Layer, colours: Colours): Paint {
  const state = STATES[cells.state[k]!] ?? "";
  const served = cells.served[k]! > 0;
  const fall = FALL_STATES.has(state);
  const plain = (name: string, pattern = PLAIN): Paint => ({ colour: colours[name] as string, pattern });
  if (layer.kind === "count") {
    return served ? { colour: step(colours, cells.served[k]! - 1), pattern: PLAIN } : plain("unserved", HATCH);
  }
  if (layer.id === "taut") {
    const value = figure(cells, "taut", k);
    if (value === null) return plain("unserved", HATCH);
    const index = Math.ceil(value / layer.step_m! - 1e-9) - 1;
    return { colour: step(colours, index), pattern: served ? PLAIN : HATCH };
  }
  if (!fall) {
    if (!served) return plain("unserved", HATCH);
    return cells.state[k]! >= UNSURE ? plain("unsure", BACK_HATCH) : plain("safe");
  }
  const value = figure(cells, layer.id, k);
  if (layer.kind === "sequence") {
    const index = value === null ? Infinity : Math.ceil(value / layer.step_m! - 1e-9) - 1;
    return { colour: step(colours, index), pattern: served ? PLAIN : HATCH };
  }
  const left = value === null || value === Infinity ? -Infinity : layer.kind === "limit" ? layer.limit_m! - value : value;
  const colour = colours.bands[band(left, layer.step_m!, colours.bands.length)]!;
  let pattern = served ? PLAIN : HATCH;
  if (served && layer.id === "margin") pattern = state === "swing" ? SWING_ROWS : otherLimit(state, left) ? LIMIT_COLUMNS : PLAIN;
  return { colour, pattern };
}

/** Whether a place with room left is bad all the same: another limit is broken from there. */
function otherLimit(state: string, margin: number): boolean {
  return state === "short" && margin >= 0;
}

function step(colours: Colours, index: number): string {
  return colours.sequence[Math.min(Math.max(index, 0), colours.sequence.length - 1)]!;
}

/** Everything that can be seen on a layer, in words, the best first. */
export function legend(layer: Layer, colours: Colours, words: Words, cells: Cells | null, outside: boolean): Row[] {
  const rows: Row[] = [];
  const count = colours.bands.length;
  if (layer.kind === "margin" || layer.kind === "limit") {
    const at = (k: number): number => {
      const bound = (k - count / 2) * layer.step_m!;
      return layer.kind === "limit" ? layer.limit_m! - bound : bound;
    };
    const show = (k: number): string => words.bound(at(k), layer.kind === "margin");
    for (let k = count - 1; k >= 0; k--) {
      const up = layer.kind === "limit";
      let text = `${show(k)} … ${show(k + 1)}`;
      if (up) text = `${words.bound(Math.max(0, at(k + 1)), false)} … ${show(k)}`;
      if (k === count - 1) text = up ? words.say("below", { value: show(k) }) : words.say("or_more", { value: show(k) });
      if (k === 0) text = up ? words.say("over", { value: show(1) }) : words.say("below", { value: show(1) });
      const row: Row = { colour: colours.bands[k]!, pattern: PLAIN, text };
      if (k === count / 2 - 1) {
row.rule = up ? words.say("rule_limit", { value: words.length(layer.limit_m) }) : words.say("rule_margin");
      }
      // no fall is shorter than nil
      if (!up || at(k) > 1e-9) rows.push(row);
    }
  } else if (layer.kind === "sequence") {
    colours.sequence.forEach((colour, k) => {
      const low = words.bound(k * layer.step_m!, false);
      const high = words.bound((k + 1) * layer.step_m!, false);
      const last = k === colours.sequence.length - 1;
      rows.push({ colour, pattern: PLAIN, text: last ? words.say("over", { value: low }) : `${low} … ${high}` });
    });
  } else {
    const most = cells ? Math.max(1, ...new Set(cells.served)) : 1;
    for (let k = 1; k <= Math.min(most, colours.sequence.length); k++) {
      const last = k === colours.sequence.length && most > k;
      rows.push({ colour: step(colours, k - 1), pattern: PLAIN, text: last ? words.say("or_more", { value: String(k) }) : String(k) });
    }
  }
  const used = { unsure: false, swings: false, others: false };
  if (cells) {
    for (let k = 0; k < cells.count; k++) {
      used.swings ||= STATES[cells.state[k]!] === "swing";
      used.others ||= otherLimit(STATES[cells.state[k]!] ?? "", figure(cells, "margin", k) ?? -1);
      used.unsure ||= cells.state[k]! >= UNSURE && cells.served[k]! > 0;
    }
  }
  const add = (name: string, pattern: number): void => {
    rows.push({ colour: colours[name] as string, pattern, text: words.say(name) });
  };
  if (layer.kind !== "count" && layer.id !== "taut") add("safe", PLAIN);
  if (layer.id === "margin" && used.swings) {
    rows.push({ colour: colours.paper as string, pattern: SWING_ROWS, text: words.say("swings") });
  }
  if (layer.id === "margin" && used.others) {
    rows.push({ colour: colours.paper as string, pattern: LIMIT_COLUMNS, text: words.say("others") });
  }
  add("unserved", HATCH);
  if (used.unsure) add("unsure", BACK_HATCH);
  if (outside) add("outside", OUTSIDE);
  return rows;
}
