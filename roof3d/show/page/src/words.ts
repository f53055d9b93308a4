/** Texts by key, and figures as text: rounded to the side that looks worse. */

import type { PageData, Units } from "./types";

export type Direction = "up" | "down" | "nearest";
export const DASH = "–";
const FOOT = 0.3048;
const INCH = 0.0254;

export class Words {
  units: Units;
  private readonly table: Record<string, Record<string, string>>;
  private readonly feet: Record<string, string>;

  constructor(data: PageData) {
    this.units = data.units;
    this.table = data.texts;
    this.feet = data.feet;
  }

  /** The page's own text of a key, with {names} filled in. */
  say(key: string, values: Record<string, string> = {}): string {
    return this.of("page", key).replace(/\{(\w+)\}/g, (_, name: string) => values[name] ?? "");
  }

  of(section: string, key: string): string {
    return this.table[section]?.[key] ?? key;
  }

  /** A sentence of the check, with its quantities in the units that are shown. */
  told(text: string): string {
    return this.units === "ft" ? (this.feet[text] ?? text) : text;
  }

  length(value: number | null | undefined, direction: Direction = "nearest"): string {
    if (value === null || value === undefined || !Number.isFinite(value)) return DASH;
    const text = this.units === "m" ? metres(value, direction) : feet(value, direction);
    return text.startsWith("-") ? "−" + text.slice(1) : text;
  }

  area(value: number | null | undefined, direction: Direction = "nearest"): string {
    if (value === null || value === undefined) return DASH;
    if (this.units === "m") return `${(steps(value * 10, direction) / 10).toFixed(1)} m²`;
    return `${steps(value / FOOT / FOOT, direction).toFixed(0)} ft²`;
  }

  force(value: number | null | undefined, direction: Direction): string {
    if (value === null || value === undefined) return DASH;
    if (this.units === "m") return `${(steps(value * 100, direction) / 100).toFixed(2)} kN`;
    return `${steps(value * 224.808943, direction).toFixed(0)} lbf`;
  }

  angle(value: number | null | undefined): string {
    return value === null || value === undefined ? DASH : `${value.toFixed(1)}°`;
  }

  pitch(value: number | null): string {
    if (value === null) return DASH;
    const ratio = 12 * Math.tan((value * Math.PI) / 180);
    return ratio > 120 || value >= 90 ? this.angle(value) : `${value.toFixed(1)}° (${ratio.toFixed(1)}:12)`;
  }

  /** A bare number of a scale: metres or decimal feet. */
  bound(value: number, signed: boolean): string {
    const number = this.units === "m" ? value : value / FOOT;
    const text = Math.abs(number) < 1e-9 ? "0" : Math.abs(number).toFixed(2);
    return (number < -1e-9 ? "−" : signed && number > 1e-9 ? "+" : "") + text;
  }

  unit(): string {
    return this.units;
  }
}

function steps(scaled: number, direction: Direction): number {
  // what is within float noise of a step counts as on it
  const near = even(scaled);
  if (direction === "nearest" || Math.abs(scaled - near) <= Math.max(1e-9, 1e-12 * Math.abs(scaled))) return near;
  return direction === "up" ? Math.ceil(scaled) : Math.floor(scaled);
}

/** To the nearest whole number, halves to the even one, as the tables of a check do. */
function even(value: number): number {
  const low = Math.floor(value);
  const half = value - low;
  if (half !== 0.5) return half < 0.5 ? low : low + 1;
  return low % 2 === 0 ? low : low + 1;
}

function metres(value: number, direction: Direction): string {
  return `${(steps(value * 100, direction) / 100).toFixed(2)} m`;
}

function feet(value: number, direction: Direction): string {
  const eighths = steps((value / INCH) * 8, direction);
  const size = Math.abs(eighths);
  const whole = Math.floor(size / 96);
  const inches = Math.floor((size % 96) / 8);
  let top = size % 8;
  let under = 8;
  while (top && top % 2 === 0) {
    top /= 2;
    under /= 2;
  }
  const part = top ? `${top}/${under}` : "";
  const text = !part ? `${inches}` : inches ? `${inches}-${part}` : part;
  return `${eighths < 0 ? "-" : ""}${whole}' ${text}"`;
}
