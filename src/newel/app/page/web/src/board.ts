/** What is on the board: the scene, the moment, what is shown and what is marked. Views listen, and are drawn once a frame. */
import type { Scene } from "./scene";

export type Show = "cut" | "left" | "sides" | "reach" | "deviation" | "target";
/** A place that is measured; `deviation` in mm where the proof has told it for just this place, which may lie under the skin. */
export interface Mark { x: number; turn: number; r: number; deviation?: number }

export interface View {
  scene: Scene | null;
  t: number;
  show: Show;
  still: boolean;
  dragging: boolean;
  marks: Mark[];
  pick: number | null; // index of the cut of the plan that is pointed out
  pointer: { x: number; turn: number } | null;
}

export type Part = "scene" | "time" | "show" | "marks" | "pick" | "theme" | "paper";

/** What of the shows follows the time of the program; the others show the part, or what is left at the end. */
const MOVING = new Set<Show>(["cut", "left", "sides"]);

export class Board {
  readonly view: View = { scene: null, t: 0, show: "cut", still: false, dragging: false, marks: [], pick: null, pointer: null };
  private hearers: ((changed: Set<Part>) => void)[] = [];
  private waiting = new Set<Part>();

  listen(hear: (changed: Set<Part>) => void): void { this.hearers.push(hear); }

  stir(...parts: Part[]): void {
    if (!this.waiting.size) requestAnimationFrame(() => {
      const changed = this.waiting;
      this.waiting = new Set();
      for (const hear of this.hearers) hear(changed);
    });
    parts.forEach((part) => this.waiting.add(part));
  }

  /** As `stir`, but at once. */
  now(...parts: Part[]): void {
    const changed = new Set(parts);
    for (const hear of this.hearers) hear(changed);
  }

  lay(scene: Scene | null): void {
    this.view.scene = scene;
    this.view.t = scene?.minutes ?? 0;
    if (scene?.proved) scene.seek(scene.count - 1, true);
    this.view.marks = [];
    this.view.pick = null;
    this.view.show = scene && !scene.proved ? "target" : "cut";
    this.stir("scene", "time", "show", "marks", "pick");
  }

  go(t: number): void {
    const scene = this.view.scene;
    if (!scene?.proved) return;
    this.view.t = Math.min(scene.minutes, Math.max(0, t));
    const row = scene.rowAt(this.view.t);
    scene.seek(row, this.view.t >= scene.rows.t[row]);
    if (!MOVING.has(this.view.show)) this.view.show = "cut";
    this.stir("time", "show");
  }

  /** Choose what is shown; a deviation is that of the finished part. */
  choose(show: Show): void {
    if (show === "deviation") this.go(this.view.scene?.minutes ?? 0);
    this.set({ show }, "show", "time");
  }

  goRow(row: number): void {
    const scene = this.view.scene;
    if (scene?.proved && row >= 0) this.go(scene.rows.t[Math.min(row, scene.count - 1)]);
  }

  /** Bring the board into sight: what a sheet pointed at is to be seen, however far down its place was read. */
  lookAt(): void { document.querySelector(".board")?.scrollIntoView({ block: "nearest" }); }

  set(more: Partial<View>, ...parts: Part[]): void {
    Object.assign(this.view, more);
    this.stir(...parts);
  }

  mark(x: number, turn: number, told?: Pick<Mark, "r" | "deviation">): void {
    const { scene, marks } = this.view;
    if (!scene) return;
    const made = { x, turn: ((turn % 360) + 360) % 360, r: scene.radius(this.heights(), x, turn), ...told };
    this.view.marks = [...marks.slice(-1), made];
    this.stir("marks");
  }

  /** Tells whether what is shown is the part as asked for, and not the blank. */
  get ofPart(): boolean {
    const { scene, show } = this.view;
    return show === "target" || show === "reach" || (show === "sides" && !scene?.proved);
  }

  /** Tells whether the cutter is shown where the program has it. */
  get moving(): boolean {
    return !!this.view.scene?.proved && MOVING.has(this.view.show);
  }

  heights(): Int16Array {
    return this.ofPart ? this.view.scene!.target : this.view.scene!.heights;
  }

  /** Point out one cut of the plan, or none; where its program is proved the time goes to its begin. */
  pickCut(index: number | null): void {
    this.view.pick = index;
    const first = index === null ? -1 : this.view.scene?.file.cut_rows?.[index]?.first ?? -1;
    if (first > 0) this.goRow(first);
    this.stir("pick");
  }
}
