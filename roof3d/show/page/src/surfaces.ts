/** Roof planes painted with the map, and the rest of the building. */

import * as three from "three";
import { raster, type Cells } from "./cells";
import { paint } from "./scale";
import type { Colours, Layer, PageData, Plane } from "./types";

const VERTEX = `
varying vec3 place;
varying vec2 cell;
uniform vec2 corner;
uniform vec2 extent;
void main() {
  place = position;
  cell = (position.xy - corner) / extent;
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
}`;

// colours are those of the legend: no light falls on the map
const FRAGMENT = `
varying vec3 place;
varying vec2 cell;
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
  if (cell.x >= 0.0 && cell.y >= 0.0 && cell.x < 1.0 && cell.y < 1.0) {
    vec4 found = texture2D(map, cell);
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
  mesh: three.Mesh;
  map: Int32Array | null;
  texture: three.DataTexture | null;
}

export class Surfaces {
  readonly group = new three.Group();
  readonly solid: three.Mesh[] = []; // what hides things behind it
  private painted: Painted[] = [];
  private walls: three.Mesh | null = null;
  private readonly colours: Colours;

  constructor(data: PageData, cells: Cells | null, size: number) {
    this.colours = data.colours;
    for (const plane of data.planes) this.addPlane(plane, cells, Math.max(0.2, size / 55));
    this.addBuilding(data);
    if (data.ground !== null) this.addGround(data.ground, size);
  }

  /** Paints the map of a layer; planes whose colours stay are left alone. */
  show(cells: Cells | null, layer: Layer): void {
    if (!cells) return;
    const painted = this.paints(cells, layer);
    for (const one of this.painted) {
      if (!one.texture || !one.map) continue;
      const words = new Uint32Array((one.texture.image.data as unknown as Uint8Array).buffer);
      let other = false;
      for (let place = 0; place < one.map.length; place++) {
        const k = one.map[place]!;
        const word = k < 0 ? 0 : painted[k]!;
        if (words[place] === word) continue;
        words[place] = word;
        other = true;
      }
      if (other) one.texture.needsUpdate = true;
    }
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

  /** Other cells on the same planes: rasters that are others are made anew. */
  change(planes: Plane[], cells: Cells | null): void {
    for (const one of this.painted) {
      const plane = planes.find((p) => p.id === one.plane.id);
      if (plane && plane.grid !== one.plane.grid) this.setGrid(one, { ...one.plane, grid: plane.grid }, cells);
    }
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

  private addPlane(plane: Plane, cells: Cells | null, spacing: number): void {
    const geometry = new three.BufferGeometry();
    geometry.setAttribute("position", new three.Float32BufferAttribute(plane.triangles, 3));
    const colour = (name: string): three.Vector3 => new three.Vector3(...channels(this.colours[name] as string).map((c) => c / 255));
    const material = new three.ShaderMaterial({
      vertexShader: VERTEX,
      fragmentShader: FRAGMENT,
      side: three.DoubleSide,
      polygonOffset: true,
      polygonOffsetFactor: 1,
      polygonOffsetUnits: 1,
      uniforms: {
        map: { value: null },
        corner: { value: new three.Vector2() },
        extent: { value: new three.Vector2(1, 1) },
        outside: { value: colour("outside") },
        hatch: { value: colour("hatch") },
        soft: { value: colour("soft_hatch") },
        swing: { value: new three.Vector3(...channels(this.colours.states.swing!.colour).map((c) => c / 255)) },
        limit: { value: new three.Vector3(...channels(this.colours.states.short!.colour).map((c) => c / 255)) },
        spacing: { value: spacing },
      },
    });
    const one: Painted = { plane, mesh: new three.Mesh(geometry, material), map: null, texture: null };
    this.setGrid(one, plane, cells);
    this.painted.push(one);
    this.solid.push(one.mesh);
    this.group.add(one.mesh);
  }

  private setGrid(one: Painted, plane: Plane, cells: Cells | null): void {
    one.plane = plane;
    one.texture?.dispose();
    one.map = null;
    one.texture = null;
    const uniforms = (one.mesh.material as three.ShaderMaterial).uniforms;
    const grid = plane.grid;
    if (!grid || !cells) {
      uniforms.extent!.value.set(1e-9, 1e-9);
      return;
    }
    one.map = raster(grid, cells);
    const texture = new three.DataTexture(new Uint8Array(4 * one.map.length), grid.columns, grid.rows);
    texture.magFilter = texture.minFilter = three.NearestFilter;
    texture.generateMipmaps = false;
    one.texture = texture;
    uniforms.map!.value = texture;
    uniforms.corner!.value.set(grid.x, grid.y);
    uniforms.extent!.value.set(grid.unit * grid.columns, grid.unit * grid.rows);
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

export function channels(colour: string): number[] {
  return [1, 3, 5].map((k) => parseInt(colour.slice(k, k + 2), 16));
}
