/** Roof planes painted with the map, and the rest of the building. */

import * as three from "three";
import { raster, type Cells } from "./cells";
import { paint } from "./scale";
import type { Colours, Layer, PageData, Plane } from "./types";

// all planes are one mesh: what each has of its own goes along with its corners
const VERTEX = `
attribute vec4 frame; // corner of the plane's raster in plan, and one over its extent
attribute vec4 part; // first column and row in the texture, columns and rows
varying vec3 place;
varying vec2 cell;
flat varying vec4 own;
void main() {
  place = position;
  cell = (position.xy - frame.xy) * frame.zw;
  own = part;
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
}`;

// colours are those of the legend: no light falls on the map
const FRAGMENT = `
varying vec3 place;
varying vec2 cell;
flat varying vec4 own;
uniform sampler2D map;
uniform vec3 outside;
uniform vec3 hatch;
uniform vec3 soft;
uniform vec3 swing;
uniform vec3 limit;
uniform float spacing;
float stripe(float at, float share) {
  float width = fwidth(at);
  float off = abs(fract(at) - 0.5) - share / 2.0;
  return 1.0 - smoothstep(-width, width, off);
}
void main() {
  vec3 colour = outside;
  float pattern = 9.0;
  if (own.z > 0.0 && cell.x >= 0.0 && cell.y >= 0.0 && cell.x < 1.0 && cell.y < 1.0) {
    vec4 found = texelFetch(map, ivec2(own.xy + min(floor(cell * own.zw), own.zw - 1.0)), 0);
    pattern = floor(found.a * 255.0 + 0.5) - 1.0;
    if (pattern >= 0.0) colour = found.rgb; else pattern = 9.0;
  }
  vec2 at = place.xy / spacing;
  if (pattern > 0.5 && pattern < 1.5) colour = mix(colour, hatch, stripe((at.x - at.y) * 0.7071, 0.16));
  else if (pattern > 1.5 && pattern < 2.5) colour = mix(colour, hatch, stripe((at.x + at.y) * 0.7071, 0.16));
  else if (pattern > 2.5 && pattern < 3.5) {
    colour = mix(colour, swing, stripe(at.y * 0.5, 0.13) * step(0.45, fract(at.x * 0.5)));
  }
  else if (pattern > 3.5 && pattern < 4.5) {
    colour = mix(colour, limit, stripe(at.x * 0.5, 0.13) * step(0.45, fract(at.y * 0.5)));
  }
  else if (pattern > 8.0) colour = mix(colour, soft, stripe((at.x + at.y) * 0.4, 0.14));
  gl_FragColor = vec4(colour, 1.0);
}`;

interface Painted {
  plane: Plane;
  mesh: three.Mesh; // to point at; it is drawn with all others of its sheet
  map: Int32Array | null;
  sheet: Sheet | null;
  column: number; // where its raster begins in the sheet's texture
  row: number;
}

/** Planes drawn as one, with one texture that holds the rasters of all. */
interface Sheet {
  mesh: three.Mesh<three.BufferGeometry, three.ShaderMaterial>;
  texture: three.DataTexture;
  words: Uint32Array;
  width: number;
}

const WIDEST = 4096; // of a texture, which every card takes
const LEAST_WIDTH = 256;

export class Surfaces {
  readonly group = new three.Group();
  readonly solid: three.Mesh[] = []; // what hides things behind it
  private readonly painted: Painted[] = [];
  private sheets: Sheet[] = [];
  private walls: three.Mesh | null = null;
  private readonly colours: Colours;
  private readonly spacing: number;

  constructor(data: PageData, cells: Cells | null, size: number) {
    this.colours = data.colours;
    this.spacing = Math.max(0.2, size / 55);
    for (const plane of data.planes) {
      const geometry = new three.BufferGeometry();
      geometry.setAttribute("position", new three.Float32BufferAttribute(plane.triangles, 3));
      const mesh = new three.Mesh(geometry, new three.MeshBasicMaterial({ side: three.DoubleSide }));
      this.painted.push({ plane, mesh, map: null, sheet: null, column: 0, row: 0 });
      this.solid.push(mesh);
    }
    this.lay(cells);
    this.addBuilding(data);
    if (data.ground !== null) this.addGround(data.ground, size);
  }

  /** Paints the map of a layer; only what changes goes to the card. */
  show(cells: Cells | null, layer: Layer): void {
    if (!cells) return;
    const painted = this.paints(cells, layer);
    const changed = new Set<Sheet>();
    for (const { map, sheet, plane, column, row } of this.painted) {
      if (!map || !sheet) continue;
      const { columns, rows } = plane.grid!;
      for (let y = 0, place = 0; y < rows; y++) {
        const first = (row + y) * sheet.width + column;
        for (let x = 0; x < columns; x++, place++) {
          const k = map[place]!;
          const word = k < 0 ? 0 : painted[k]!;
          if (sheet.words[first + x] === word) continue;
          sheet.words[first + x] = word;
          changed.add(sheet);
        }
      }
    }
    for (const sheet of changed) sheet.texture.needsUpdate = true;
  }

  /** Colour and pattern of each cell, the four bytes of a place in a raster. */
  private paints(cells: Cells, layer: Layer): Uint32Array {
    const bytes = new Uint8Array(4 * cells.count);
    const known = new Map<string, number[]>();
    for (let k = 0; k < cells.count; k++) {
      const { colour, pattern } = paint(cells, k, layer, this.colours);
      let parts = known.get(colour);
      if (!parts) {
        parts = channels(colour);
        known.set(colour, parts);
      }
      bytes.set(parts, 4 * k);
      bytes[4 * k + 3] = pattern + 1;
    }
    return new Uint32Array(bytes.buffer);
  }

  /** Other cells on the same planes: where rasters are others, all are laid out anew. */
  change(planes: Plane[], cells: Cells | null): void {
    const grids = new Map(planes.map((plane) => [plane.id, plane.grid]));
    let other = false;
    for (const one of this.painted) {
      const grid = grids.get(one.plane.id);
      if (grid === undefined || grid === one.plane.grid) continue;
      one.plane = { ...one.plane, grid };
      other = true;
    }
    if (other) this.lay(cells);
  }

  showWalls(shown: boolean): void {
    if (this.walls) this.walls.visible = shown;
  }

  planeOf(mesh: three.Object3D): { plane: Plane; map: Int32Array | null } | null {
    return this.painted.find((one) => one.mesh === mesh) ?? null;
  }

  get planes(): three.Mesh[] {
    return this.painted.map((one) => one.mesh);
  }

  /** Lays the rasters of all planes out on textures, in rows, and makes what draws them. */
  private lay(cells: Cells | null): void {
    for (const sheet of this.sheets) {
      this.group.remove(sheet.mesh);
      sheet.mesh.geometry.dispose();
      sheet.mesh.material.dispose();
      sheet.texture.dispose();
    }
    const total = this.painted.reduce((sum, one) => sum + (one.plane.grid ? one.plane.grid.columns * one.plane.grid.rows : 0), 0);
    const widest = Math.max(0, ...this.painted.map((one) => one.plane.grid?.columns ?? 0));
    const width = Math.max(widest, Math.min(WIDEST, Math.max(LEAST_WIDTH, Math.ceil(Math.sqrt(total)))));
    const order = [...this.painted].sort((a, b) => (b.plane.grid?.rows ?? 0) - (a.plane.grid?.rows ?? 0));
    const sheets: { own: Painted[]; height: number }[] = [{ own: [], height: 0 }];
    let [column, row, tall] = [0, 0, 0];
    for (const one of order) {
      const grid = cells ? one.plane.grid : null;
      one.map = grid ? raster(grid, cells!) : null;
      let last = sheets[sheets.length - 1]!;
      if (grid && column + grid.columns > width) [column, row, tall] = [0, row + tall, 0];
      if (grid && row && row + grid.rows > WIDEST) {
        last = { own: [], height: 0 };
        sheets.push(last);
        [column, row, tall] = [0, 0, 0];
      }
      last.own.push(one);
      [one.column, one.row] = [column, row];
      if (!grid) continue;
      column += grid.columns;
      tall = Math.max(tall, grid.rows);
      last.height = Math.max(last.height, row + grid.rows);
    }
    this.sheets = sheets.map(({ own, height }) => this.sheet(own, width, Math.max(1, height)));
  }

  private sheet(own: Painted[], width: number, height: number): Sheet {
    const bytes = new Uint8Array(4 * width * height);
    const texture = new three.DataTexture(bytes, width, height);
    texture.magFilter = texture.minFilter = three.NearestFilter;
    texture.generateMipmaps = false;
    texture.needsUpdate = true;
    const [places, frames, parts]: number[][] = [[], [], []];
    for (const { plane, map, column, row } of own) {
      const grid = map ? plane.grid : null;
      const frame = grid ? [grid.x, grid.y, 1 / (grid.unit * grid.columns), 1 / (grid.unit * grid.rows)] : [0, 0, 0, 0];
      const part = grid ? [column, row, grid.columns, grid.rows] : [0, 0, 0, 0];
      for (let k = 0; k < plane.triangles.length; k += 3) {
        frames!.push(...frame);
        parts!.push(...part);
      }
      for (const value of plane.triangles) places!.push(value);
    }
    const geometry = new three.BufferGeometry();
    geometry.setAttribute("position", new three.Float32BufferAttribute(places!, 3));
    geometry.setAttribute("frame", new three.Float32BufferAttribute(frames!, 4));
    geometry.setAttribute("part", new three.Float32BufferAttribute(parts!, 4));
    const colour = (name: string): three.Vector3 => vector(this.colours[name] as string);
    const material = new three.ShaderMaterial({
      vertexShader: VERTEX,
      fragmentShader: FRAGMENT,
      side: three.DoubleSide,
      polygonOffset: true,
      polygonOffsetFactor: 1,
      polygonOffsetUnits: 1,
      uniforms: {
        map: { value: texture },
        outside: { value: colour("outside") },
        hatch: { value: colour("hatch") },
        soft: { value: colour("soft_hatch") },
        swing: { value: vector(this.colours.states.swing!.colour) },
        limit: { value: vector(this.colours.states.short!.colour) },
        spacing: { value: this.spacing },
      },
    });
    const mesh = new three.Mesh(geometry, material);
    this.group.add(mesh);
    const made = { mesh, texture, words: new Uint32Array(bytes.buffer), width };
    for (const one of own) one.sheet = made;
    return made;
  }

  private addBuilding(data: PageData): void {
    if (!data.building.triangles.length) return;
    const geometry = new three.BufferGeometry();
    geometry.setAttribute("position", new three.Float32BufferAttribute(data.building.vertices, 3));
    geometry.setIndex(data.building.triangles);
    const flat = geometry.toNonIndexed();
    flat.computeVertexNormals();
    const material = new three.MeshLambertMaterial({
      color: this.colours.wall as string,
      side: three.DoubleSide,
      polygonOffset: true,
      polygonOffsetFactor: 2,
      polygonOffsetUnits: 2,
    });
    this.walls = new three.Mesh(flat, material);
    this.solid.push(this.walls);
    this.group.add(this.walls);
  }

  private addGround(z: number, size: number): void {
    const box = new three.Box3().setFromObject(this.group);
    const middle = box.getCenter(new three.Vector3());
    const shape = new three.CircleGeometry(size * 0.95, 96);
    const mesh = new three.Mesh(
      shape,
      new three.MeshBasicMaterial({
        color: this.colours.ground as string,
        side: three.DoubleSide,
        polygonOffset: true,
        polygonOffsetFactor: 8,
        polygonOffsetUnits: 8,
      }),
    );
    mesh.position.set(middle.x, middle.y, z - 0.01);
    this.group.add(mesh);
  }
}

function vector(colour: string): three.Vector3 {
  return new three.Vector3(...channels(colour).map((c) => c / 255));
}

function channels(colour: string): number[] {
  return [1, 3, 5].map((k) => parseInt(colour.slice(k, k + 2), 16));
}
