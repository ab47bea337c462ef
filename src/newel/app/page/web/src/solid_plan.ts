/** What a plan shows in three dimensions: the part as asked for, its sides as flags, the lines of cuts, and what is out of reach. */
import {
  BufferAttribute, BufferGeometry, CanvasTexture, Color, DoubleSide, Group, LinearFilter, LineBasicMaterial, LineSegments, Mesh, MeshLambertMaterial, Points,
  PointsMaterial, Sprite, SpriteMaterial, SRGBColorSpace, Vector3,
} from "three";
import type { Board } from "./board";
import { colour } from "./dom";
import { roomOf } from "./marks";
import { reasonColour, sideColour } from "./paint";
import type { Scene } from "./scene";
import { T } from "./texts";

const MARK_PX = 4;
const FLAG_PX = [98, 20];

export class SolidPlan {
  readonly group = new Group();
  private part: Mesh<BufferGeometry, MeshLambertMaterial> | null = null;
  private lost: Points | null = null;
  private flags = new Group();
  private lines: LineSegments<BufferGeometry, LineBasicMaterial> | null = null;
  private picked: LineSegments | null = null;
  private outlines: Record<string, ArrayLike<number>> | null = null;

  constructor(private board: Board) {}

  async lay(scene: Scene): Promise<void> {
    this.group.clear();
    this.flags.clear();
    this.picked = this.lost = null;
    const part = await scene.pack("part");
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(part.vertices as Float32Array, 3));
    geometry.setIndex(new BufferAttribute(part.faces as Uint32Array, 1));
    this.part = new Mesh(geometry, new MeshLambertMaterial({ color: colour("--bare"), flatShading: true, side: DoubleSide, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1 }));
    this.outlines = await scene.pack("outlines");
    this.lines = drawn(pieces(this.outlines, null), "--ink", 0.9);
    this.group.add(this.part, this.lines, this.flags);
    if (scene.file.arrays.reach) {
      const { points, why } = await scene.pack("reach");
      this.lost = marks(points as Float32Array, why as Uint8Array);
      this.group.add(this.lost);
    }
    scene.file.plan.sides.forEach((side, k) => this.flags.add(flag(scene, side.turn_deg, k)));
  }

  /** Show what the board asks for. Tells whether the part stands in the place of the blank. */
  refresh(): boolean {
    const { scene, show } = this.board.view;
    const plain = this.board.ofPart || show === "sides", solid = show === "target" || show === "reach";
    if (this.part) {
      this.part.visible = solid;
      this.part.material.color = show === "reach" ? new Color().setRGB(...(reasonColour(0).map((c) => c / 255) as [number, number, number]), "srgb") : new Color(colour("--bare"));
    }
    if (this.lost) this.lost.visible = show === "reach";
    if (this.lines) { this.lines.visible = plain; this.lines.material.color = new Color(colour("--ink")); }
    this.flags.visible = plain;
    this.pick(scene);
    return solid && !!this.part;
  }

  /** Flags of sides that face away would lie over those that face us: they are left out. `mmPerPx`: a flag is as large as it can be read. */
  face(toward: Vector3, mmPerPx: number): void {
    const way = new Vector3();
    for (const one of this.flags.children) {
      way.copy(one.userData.outward as Vector3).transformDirection(this.group.matrixWorld);
      one.visible = way.dot(toward) > -0.2;
      one.children[1].scale.set(FLAG_PX[0] * mmPerPx, FLAG_PX[1] * mmPerPx, 1);
    }
  }

  private pick(scene: Scene | null): void {
    if (this.picked) this.group.remove(this.picked);
    this.picked = null;
    const { pick } = this.board.view;
    if (!scene || pick === null || !this.outlines) return;
    const points = pieces(this.outlines, pick);
    const there = roomOf(scene, scene.file.plan.cuts[pick]);
    if (there) there.corners.forEach(([y, z], k) => {
      const [v, w] = there.corners[(k + 1) % there.corners.length];
      for (const x of there.x) points.push(x, y, z, x, v, w);
      points.push(there.x[0], y, z, there.x[1], y, z);
    });
    this.picked = drawn(points, "--pencil", 1);
    this.group.add(this.picked);
  }
}

function pieces(pack: Record<string, ArrayLike<number>>, only: number | null): number[] {
  const { points, begins, cut } = pack;
  const found: number[] = [];
  for (let k = 0; k < cut.length; k++) {
    if (only !== null && cut[k] !== only) continue;
    for (let i = begins[k]; i + 1 < begins[k + 1]; i++) for (const at of [i, i + 1]) found.push(points[3 * at], points[3 * at + 1], points[3 * at + 2]);
  }
  return found;
}

function drawn(points: number[], ink: string, opacity: number): LineSegments<BufferGeometry, LineBasicMaterial> {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(new Float32Array(points), 3));
  return new LineSegments(geometry, new LineBasicMaterial({ color: colour(ink), transparent: opacity < 1, opacity }));
}

function marks(points: Float32Array, why: Uint8Array): Points {
  const tint = new Float32Array(3 * why.length), one = new Color();
  why.forEach((reason, k) => {
    const [r, g, b] = reasonColour(reason);
    one.setRGB(r / 255, g / 255, b / 255, "srgb");
    tint.set([one.r, one.g, one.b], 3 * k);
  });
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(points, 3));
  geometry.setAttribute("color", new BufferAttribute(tint, 3));
  return new Points(geometry, new PointsMaterial({ size: MARK_PX, sizeAttenuation: false, vertexColors: true }));
}

/** A pole from the surface outward at the middle of the part, with the side's number and A on a flag: it turns with the bar. */
function flag(scene: Scene, turn: number, k: number): Group {
  const t = (turn * Math.PI) / 180, { cells } = scene.file;
  const radius = Math.max(...scene.file.setup.bar.size_mm) * 0.72;
  const x = cells.from_x_mm + (cells.to_x_mm - cells.from_x_mm) * (0.5 + 0.09 * (k % 2 ? 1 : -1));
  const at = (r: number): [number, number, number] => [x, r * Math.sin(t), r * Math.cos(t)];
  const group = new Group();
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(new Float32Array([...at(radius * 0.6), ...at(radius * 1.25)]), 3));
  const sprite = lettered(T.board.side(k + 1, scene.saidA(turn)), k);
  sprite.position.set(...at(radius * 1.25));
  group.userData.outward = new Vector3(0, Math.sin(t), Math.cos(t));
  group.add(new LineSegments(geometry, new LineBasicMaterial({ color: colour("--ink") })), sprite);
  return group;
}

/** A flag as a picture of FLAG_PX, drawn twice as fine as it is shown. */
function lettered(text: string, k: number): Sprite {
  const canvas = document.createElement("canvas");
  const pen = canvas.getContext("2d")!;
  const [wide, tall] = FLAG_PX;
  [canvas.width, canvas.height] = [2 * wide, 2 * tall];
  pen.scale(2, 2);
  pen.fillStyle = colour("--sheet");
  pen.fillRect(0, 0, wide, tall);
  pen.strokeStyle = pen.fillStyle = colour("--ink");
  pen.strokeRect(0.5, 0.5, wide - 1, tall - 1);
  pen.font = `bold 12px ${colour("--face")}`;
  pen.fillText(text, 21, 14.5, wide - 25);
  pen.fillStyle = `rgb(${sideColour(k).join()})`;
  pen.fillRect(4, 4, 12, 12);
  const texture = new CanvasTexture(canvas);
  texture.colorSpace = SRGBColorSpace;
  texture.generateMipmaps = false;
  texture.minFilter = LinearFilter;
  return new Sprite(new SpriteMaterial({ map: texture, depthTest: false }));
}
