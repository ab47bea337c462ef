/** A run's geometry and program as typed arrays, and the blank at any moment, played forward and back from the log. */
import { getBytes, getJson, getText } from "./api";
import { T } from "./texts";

interface Entry { file: string; type: string; offset: number; length: number }

export interface Finding { code: string; severity: string; program: string; line: number; measured: number | null; limit: number | null; unit: string; says: string }
export interface Decision { what: string; chosen: string; because: string; instead_of: string[]; by: string }
export interface CutDoc {
  number: number; name: string; kind: string; cutter: number; direction: string; from_x_mm: number; to_x_mm: number;
  spindle_rpm: number; feed_mm_per_min: number; ap_mm: number; ae_mm: number; turn_deg?: number | null;
  from_y_mm: number; to_y_mm: number; top_z_mm: number; floor_z_mm: number; flats_z_mm: number[]; edges: unknown[]; lines: unknown[];
  holes: { diameter_mm: number; through: boolean; top_z_mm: number; floor_z_mm: number; pitch_mm: number | null }[];
}
export interface Side { turn_deg: number; area_share: number; because: string }

export interface SceneFile {
  programs?: string[];
  setup: {
    bar: { section: string; size_mm: number[]; from_x_mm: number; to_x_mm: number; turned_deg: number };
    zero: { table_from_program_mm: number[]; a_zero_deg: number };
    a_sense: number; along_x: number;
    keep_out: { name: string; from_x_mm: number; to_x_mm: number; radius_mm: number; turns: boolean }[];
  };
  plan: { cuts: CutDoc[]; decisions: Decision[]; cutters: { number: number; name: string }[]; bar: { material: string; sawn_length_mm: number }; holding: { grip_mm: number; tailstock: string }; sides: Side[]; reach: { reasons: string[]; shares: number[] } | null };
  proof?: { verdict: string; findings: Finding[]; deviation: Record<string, number | null>; time_min: number | null; load: Record<string, number | null>; resolution_mm: number; seal: string };
  cells: { from_x_mm: number; to_x_mm: number; nx: number; na: number };
  height_step_mm: number;
  arrays: Record<string, Record<string, Entry>>;
  cutters?: { number: number; name: string; edge_rh: [number, number][]; body_rh: [number, number][] }[];
  finding_rows?: number[];
  worst?: { x_mm: number; y_mm: number; z_mm: number; deviation_mm: number; standing: number; program: string; line: number }[];
  worst_rows?: number[];
  cut_rows?: { first: number; last: number; minutes: number | null }[];
  bands?: { first: number; last: number; cutter: number; program: number }[];
  series?: { minutes: number; bins: number; feed_mm_per_min: number[]; height_mm: (number | null)[]; force_N: number[]; torque_Nm: number[]; spindle_torque_Nm: number[]; power_W: number[] };
  approaches?: { name: string; mm: number | null; program: string; line: number }[];
  scale_mm?: number;
  machine: { name: string; chuck_end: string; a_sense: number };
  mended: string[];
}

const KINDS: Record<string, { new (b: ArrayBuffer, o: number, n: number): ArrayLike<number>; BYTES_PER_ELEMENT: number }> = {
  f4: Float32Array, f8: Float64Array, i2: Int16Array, u4: Uint32Array, u1: Uint8Array,
};

export const NO_SIDE = 255;

export class Scene {
  readonly cells: number;
  target!: Int16Array;
  heights!: Int16Array;
  before!: Int16Array;
  rows: Record<string, ArrayLike<number>> = {};
  /** Which side of the plan reaches each cell of the part first; NO_SIDE for none. */
  sideOfCell!: Uint8Array;
  private sidesOfRows: Uint8Array | null = null;
  private log: { row: Uint32Array; cell: Uint32Array; after: Int16Array; earlier: Int16Array } | null = null;
  private played = 0;
  private buffers = new Map<string, Promise<Record<string, ArrayLike<number>>>>();
  private texts = new Map<number, Promise<{ text: string; starts: Uint32Array }>>();

  private constructor(readonly number: number, readonly file: SceneFile) {
    this.cells = file.cells.nx * file.cells.na;
  }

  static async load(number: number): Promise<Scene> {
    const scene = new Scene(number, await getJson<SceneFile>(`api/runs/${number}/scene.json`));
    const { part, side } = await scene.pack("target");
    scene.target = part as Int16Array;
    scene.sideOfCell = side as Uint8Array;
    if (scene.proved) {
      const [rows, scrub] = await Promise.all([scene.pack("rows"), scene.pack("scrub")]);
      scene.rows = rows;
      scene.before = scrub.before as Int16Array;
      scene.heights = scene.before.slice();
      const log = { row: scrub.row as Uint32Array, cell: scrub.cell as Uint32Array, after: scrub.after as Int16Array, earlier: new Int16Array(scrub.row.length) };
      for (let k = 0; k < log.row.length; k++) {
        log.earlier[k] = scene.heights[log.cell[k]];
        scene.heights[log.cell[k]] = log.after[k];
      }
      scene.log = log;
      scene.played = log.row.length;
    } else {
      scene.before = scene.heights = barHeights(scene.file);
    }
    return scene;
  }

  /** Tells one state of `heights` from another. */
  get moment(): number { return this.played; }
  get proved(): boolean { return "rows" in this.file.arrays; }
  get measured(): boolean { return "deviation" in this.file.arrays; }
  get count(): number { return this.proved ? this.rows.t.length : 0; }
  get minutes(): number { return this.count ? this.rows.t[this.count - 1] : 0; }

  /** One of the run's files, fetched once. */
  pack(name: string): Promise<Record<string, ArrayLike<number>>> {
    let found = this.buffers.get(name);
    if (!found) {
      const table = this.file.arrays[name];
      const file = Object.values(table)[0].file;
      found = getBytes(`api/runs/${this.number}/${file}`).then((buffer) =>
        Object.fromEntries(Object.entries(table).map(([key, e]) => [key, new KINDS[e.type](buffer, e.offset, e.length)])));
      this.buffers.set(name, found);
    }
    return found;
  }

  /** The text of one program, with where each line starts. */
  program(index: number): Promise<{ text: string; starts: Uint32Array }> {
    let found = this.texts.get(index);
    if (!found) {
      found = getText(`api/runs/${this.number}/program-${index}.txt`).then((text) => {
        const starts = [0];
        for (let at = text.indexOf("\n"); at >= 0; at = text.indexOf("\n", at + 1)) starts.push(at + 1);
        return { text, starts: Uint32Array.from(starts) };
      });
      this.texts.set(index, found);
    }
    return found;
  }

  /** The row under way at a time in minutes. */
  rowAt(t: number): number {
    let low = 0, high = this.count - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.rows.t[middle] >= t) high = middle; else low = middle + 1;
    }
    return Math.max(0, low);
  }

  /** Row of a line of one program. */
  rowOfLine(program: number, line: number): number {
    for (let k = 0; k < this.count; k++) if (this.rows.program[k] === program && this.rows.line[k] >= line) return k;
    return this.count - 1;
  }

  /** Tip x, y, z and turn at a time. */
  pose(t: number): [number, number, number, number] {
    const k = this.rowAt(t);
    const begin = k ? this.rows.t[k - 1] : 0, end = this.rows.t[k];
    const share = end > begin ? Math.min(1, Math.max(0, (t - begin) / (end - begin))) : 1;
    return ["x", "y", "z", "turn"].map((name) => {
      const to = this.rows[name][k];
      const from = k ? this.rows[name][k - 1] : to;
      return Number.isFinite(from) ? from + share * (to - from) : to;
    }) as [number, number, number, number];
  }

  /** Bring `heights` to the moment when all rows before `row` (and the last one too, at the end) are done. */
  seek(row: number, done: boolean): boolean {
    if (!this.log) return false;
    const until = done ? row + 1 : row;
    const { row: rows, cell, after, earlier } = this.log;
    let low = 0, high = rows.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (rows[middle] < until) low = middle + 1; else high = middle;
    }
    const moved = low !== this.played;
    for (; this.played < low; this.played++) this.heights[cell[this.played]] = after[this.played];
    while (this.played > low) { this.played--; this.heights[cell[this.played]] = earlier[this.played]; }
    return moved;
  }

  /** The side that each row is cut at, the bar clamped; NO_SIDE while it turns. */
  sideOfRow(): Uint8Array {
    if (this.sidesOfRows) return this.sidesOfRows;
    const found = new Uint8Array(this.count).fill(NO_SIDE);
    const turns = this.file.plan.sides.map((side) => side.turn_deg);
    const { turn, kind } = this.rows;
    for (let k = 1; k < this.count && turns.length; k++) {
      if (Math.abs(turn[k] - turn[k - 1]) > 1e-3 || !Number.isFinite(turn[k])) continue;
      if (kind[k] === 0 && found[k - 1] === NO_SIDE) continue; // a rapid on the way to somewhere
      const at = turns.findIndex((own) => Math.abs(((turn[k] - own + 540) % 360 + 360) % 360 - 180) < 0.05);
      if (at >= 0) found[k] = at;
    }
    this.sidesOfRows = found;
    return found;
  }

  /** The row that left each cell as it stands at this moment; -1: the bar as sawn. */
  rowOfCell(): Int32Array {
    const found = new Int32Array(this.cells).fill(-1);
    if (this.log) for (let k = 0; k < this.played; k++) found[this.log.cell[k]] = this.log.row[k];
    return found;
  }

  /** The turn of the bar at which a cut is made, in the set-up's frame; null while the bar turns. */
  turnOfCut(cut: CutDoc): number | null {
    return cut.turn_deg === null || cut.turn_deg === undefined ? null : (((this.file.setup.along_x * cut.turn_deg) % 360) + 360) % 360;
  }

  /** A cut's name with the side's number in the place of the turn that the planner writes. */
  saidCut(cut: CutDoc): string {
    const turn = this.turnOfCut(cut);
    const side = turn === null ? -1 : this.file.plan.sides.findIndex((own) => Math.abs(((turn - own.turn_deg + 540) % 360) - 180) < 0.05);
    if (side < 0 || cut.turn_deg === null || cut.turn_deg === undefined) return cut.name;
    const at = ` at ${Number(cut.turn_deg.toFixed(1))}°`;
    return cut.name.replace(`the side${at}`, T.board.sideName(side + 1)).replace(at, T.board.atSide(side + 1));
  }

  /** A of a turn as the program has it, in words. */
  saidA(turn: number): string { return `A ${Number(this.aOfTurn(turn).toFixed(1)) % 360}°`; }

  /** Radius in mm at an X and a turn in degrees. */
  radius(heights: Int16Array, x: number, turn: number): number {
    const { nx, na, from_x_mm, to_x_mm } = this.file.cells;
    const i = Math.min(nx - 1, Math.max(0, Math.floor(((x - from_x_mm) / (to_x_mm - from_x_mm)) * nx)));
    const j = Math.floor((((turn % 360) + 360) % 360) / 360 * na) % na;
    return heights[j * nx + i] * this.file.height_step_mm;
  }

  /** Program A of a turn of the bar, within 0 to 360. */
  aOfTurn(turn: number): number {
    const a = this.file.setup.a_sense * turn - this.file.setup.zero.a_zero_deg;
    return ((a % 360) + 360) % 360;
  }
}

/** The bar as sawn, as a development (plane trigonometry). */
function barHeights(file: SceneFile): Int16Array {
  const { nx, na } = file.cells;
  const { section, size_mm, turned_deg } = file.setup.bar;
  const heights = new Int16Array(nx * na);
  const flats = section === "hexagon" ? 6 : 4;
  for (let j = 0; j < na; j++) {
    const polar = 90 - ((j + 0.5) * 360) / na - turned_deg;
    let r = size_mm[0] / 2;
    if (section !== "round") {
      r = Infinity;
      for (let f = 0; f < flats; f++) {
        const at = (((f * 360) / flats + 90 - polar) * Math.PI) / 180;
        const half = (section === "rectangle" ? size_mm[f % 2 ? 0 : 1] : size_mm[0]) / 2;
        if (Math.cos(at) > 1e-6) r = Math.min(r, half / Math.cos(at));
      }
    }
    heights.fill(Math.round(r / file.height_step_mm), j * nx, (j + 1) * nx);
  }
  return heights;
}
