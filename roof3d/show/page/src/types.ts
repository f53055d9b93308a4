/** What the page is given: the shape of the data that roof3d/show/page/data.py writes. */

export type Units = "m" | "ft";
export type Point = [number, number, number];

export interface StateStyle {
  colour: string;
  ink: string;
  width: number;
  dash: number[];
  mark: string;
  every: number;
}

export interface Colours {
  bands: string[];
  sequence: string[];
  states: Record<string, StateStyle>;
  [name: string]: string | string[] | Record<string, StateStyle>;
}

export interface Layer {
  id: string;
  kind: "margin" | "limit" | "sequence" | "count";
  step_m?: number;
  limit_m?: number;
  missing: boolean;
}

export interface Grid {
  x: number;
  y: number;
  unit: number;
  columns: number;
  rows: number;
  first: number;
  count: number;
}

export interface Plane {
  id: string;
  pitch_deg: number | null;
  azimuth_deg: number | null;
  area_m2: number | null;
  normal: Point;
  triangles: number[];
  rings: Point[][];
  grid: Grid | null;
}

export interface PackedCells {
  step_m: number;
  count: number;
  x: string;
  y: string;
  size: string;
  state: string;
  served: string;
  margin: string | null;
  taut: string | null;
  free_fall: string | null;
  swing: string | null;
}

export interface Edge {
  id: string;
  kind: string;
  fall: boolean;
  planes: string[];
  points: Point[];
  length_m: number | null;
  drop_m: number | null;
  doubt: string;
}

export interface Stretch {
  edge: string;
  from_m: number;
  to_m: number;
  ends: [Point, Point];
  outward: [number, number];
  state: string;
  anchor: string;
  segment: number;
  number: number;
  figures: Partial<Segment> | null;
  breaks: string[];
}

export interface Segment {
  edge: string;
  anchor: string;
  from_m: number;
  to_m: number;
  ends: [Point, Point];
  state: string;
  taut_length_m: number | null;
  surplus_m: number | null;
  free_fall_m: number | null;
  swing_drop_m: number | null;
  swing_angle_deg: number | null;
  clearance_required_m: number | null;
  clearance_available_m: number | null;
  margin_m: number | null;
  rest: Point | null;
  strikes: string;
  doubt: string;
  protection: string;
  breaks: string[];
}

export interface Anchor {
  id: string;
  kind: "point" | "line";
  points: Point[];
  /** The way of a line over the roof; not known while it is dragged. */
  lies?: Point[];
  loaded: number[] | number[][];
  line_length_m: number | null;
  policy: string;
  served_area_m2: number | null;
  load_kN: number | null;
  rating_kN: number | null;
  verdict: string;
  stretch_m: number | null;
  required_m: number | null;
}

/** Of an anchor that was not checked yet. */
export const NO_FIGURES: Omit<Anchor, "id" | "kind" | "points"> = {
  loaded: [],
  line_length_m: null,
  policy: "fixed",
  served_area_m2: null,
  load_kN: null,
  rating_kN: null,
  verdict: "unknown",
  stretch_m: null,
  required_m: null,
};

export interface Finding {
  code: string;
  severity: string;
  text: string;
  anchor: string;
  element: string;
  at: Point | null;
}

export interface RuleEntry {
  name: string;
  shown: Record<Units, string>;
  text: string | null;
  document: string;
  clause: string | null;
  year: number | null;
  status: string;
  note: string | null;
}

export interface PageData {
  page: number;
  units: Units;
  title: string;
  version: string;
  verdict: { word: string; text: string; colour: string };
  summary: Record<Units, string>;
  texts: Record<string, Record<string, string>>;
  colours: Colours;
  layers: Record<Units, Layer[]>;
  origin: Point;
  ground: number | null;
  planes: Plane[];
  cells: PackedCells | null;
  building: { vertices: number[]; triangles: number[] };
  edges: Edge[];
  stretches: Stretch[];
  segments: Segment[];
  anchors: Anchor[];
  ropes: Record<string, Point[]>;
  findings: Finding[];
  work: { area_m2: number; served_m2: number; unserved_m2: number } | null;
  assumptions: string[];
  repairs: string[];
  cautions: string[];
  rules: { name: string; title: string; entries: RuleEntry[] };
  sources: string[][];
  /** Sentences with quantities, as they read in feet. */
  feet: Record<string, string>;
  explained: { lines: string[]; m: Record<string, number[]>; ft: Record<string, number[]> };
  session?: Session;
  /** No finding yet: a check is on its way. */
  unchecked?: boolean;
}

/** What only the designer's viewer has. */
export interface Session {
  socket: string;
  version: number; // of the plan that the page shows checked; -1: none yet
  rule_sets: string[];
  longest_m: number;
  height_m: number;
}

export const STATES = ["short", "swing", "arrest", "held", "beyond"];
export const FALL_STATES = new Set(["short", "swing", "arrest"]);
/** Drawn from the first to the last, so that the worst lies on top. */
export const DRAWN = ["beyond", "guarded", "held", "unassessed", "arrest", "swing", "short"];

export const EMPTY = {
  taut_length_m: null,
  surplus_m: null,
  free_fall_m: null,
  swing_drop_m: null,
  swing_angle_deg: null,
  clearance_required_m: null,
  clearance_available_m: null,
  margin_m: null,
  rest: null,
  strikes: "",
  doubt: "",
  protection: "",
  breaks: [] as string[],
};

/** The data with what was left out because it is nothing. */
export function filled(data: PageData): PageData {
  return { ...data, segments: data.segments.map((segment) => ({ ...EMPTY, ...segment })) };
}
