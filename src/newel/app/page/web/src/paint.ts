/** The colours of the development's cells, the same on paper and on the part. */
import { rgb } from "./dom";
import { NO_SIDE, type Scene } from "./scene";
import type { Show } from "./board";

export type Rgb = [number, number, number];
const NOT_MEASURED = -32768;
export const OUT_OF_REACH: Rgb = [107, 84, 128];
/** Sides of the part, told apart by any colour sight (after Okabe and Ito, made lighter), and what is cut while the bar turns. */
export const SIDES: Rgb[] = [[230, 170, 60], [96, 160, 212], [64, 160, 128], [212, 140, 176], [226, 214, 92], [200, 108, 56], [130, 130, 186], [120, 190, 190]];
export const TURNING: Rgb = [188, 182, 168];
/** Reasons of what is out of reach, in the order of the map: those of the printed reach map. */
export const REASONS: Rgb[] = [[199, 209, 194], [214, 94, 0], [0, 115, 179], [204, 120, 166], [240, 227, 66], [31, 31, 31]];
const STUB: Rgb = [196, 190, 175];

// Blue for left-over, near white where it fits, orange to brown for gouges: told apart by any colour sight, and by lightness.
const SCALE: [number, Rgb][] = [[-1, [115, 41, 5]], [-0.5, [232, 128, 36]], [0, [246, 244, 237]], [0.5, [107, 163, 212]], [1, [15, 54, 117]]];
// What is left to cut: light to dark, one hue.
const LEFT: [number, Rgb][] = [[0, [246, 240, 224]], [0.25, [222, 196, 140]], [0.6, [158, 112, 52]], [1, [74, 44, 20]]];

function along(ramp: [number, Rgb][], at: number): Rgb {
  let k = 1;
  while (k < ramp.length - 1 && at > ramp[k][0]) k++;
  const [a, from] = ramp[k - 1], [b, to] = ramp[k];
  const share = Math.min(1, Math.max(0, (at - a) / (b - a)));
  return [0, 1, 2].map((c) => Math.round(from[c] + share * (to[c] - from[c]))) as Rgb;
}

export const deviationColour = (um: number, scaleMm: number): Rgb => along(SCALE, um / 1000 / scaleMm);
export const sideColour = (side: number): Rgb => (side === NO_SIDE ? TURNING : SIDES[side % SIDES.length]);
export const reasonColour = (why: number): Rgb => REASONS[Math.min(why, REASONS.length - 1)];
export const leftColour = (share: number): Rgb => along(LEFT, share);

export function standingColour(um: number, standing: number, scaleMm: number): Rgb {
  if (standing === 3) return OUT_OF_REACH;
  if (standing === 4 || um === NOT_MEASURED) return STUB;
  return deviationColour(um, scaleMm);
}

/** Most that is left to cut at the start, mm: the ramp's end. */
export function mostLeft(scene: Scene): number {
  let most = 0;
  for (let k = 0; k < scene.cells; k++) if (scene.target[k] > 0) most = Math.max(most, scene.before[k] - scene.target[k]);
  return most * scene.file.height_step_mm;
}

/** Which row's moment the paint was last mixed for, and for what: both views of one board want the same. */
const mixed = new WeakMap<Scene, { key: string; paint: Uint8ClampedArray }>();

/** The colours of all cells, RGBA; mixed once for a moment. */
export async function paintOf(scene: Scene, show: Show): Promise<Uint8ClampedArray> {
  const key = `${show}/${scene.moment}/${rgb("--blue-paint")}/${rgb("--bare")}`;
  const kept = mixed.get(scene);
  if (kept?.key === key) return kept.paint;
  const paint = kept?.paint ?? new Uint8ClampedArray(4 * scene.cells);
  await paintCells(scene, show, paint);
  mixed.set(scene, { key, paint });
  return paint;
}

/** Paint all cells into `out`, RGBA, row after row of the development. */
async function paintCells(scene: Scene, show: Show, out: Uint8ClampedArray): Promise<void> {
  const { heights, before, target, cells } = scene;
  const blue = rgb("--blue-paint"), bare = rgb("--bare");
  const put = (k: number, c: Rgb) => { out[4 * k] = c[0]; out[4 * k + 1] = c[1]; out[4 * k + 2] = c[2]; out[4 * k + 3] = 255; };
  if (show === "deviation" && scene.measured) {
    const { cell_um, cell_standing } = await scene.pack("deviation");
    const scale = scene.file.scale_mm ?? 0.1;
    for (let k = 0; k < cells; k++) put(k, standingColour(cell_um[k], cell_standing[k], scale));
  } else if (show === "left") {
    const ramp = Array.from({ length: 257 }, (_, k) => leftColour(k / 256));
    const whole = Math.max(1, mostLeft(scene) / scene.file.height_step_mm);
    for (let k = 0; k < cells; k++) put(k, target[k] > 0 ? ramp[Math.round(256 * Math.min(1, Math.max(0, heights[k] - target[k]) / whole))] : STUB);
  } else if (show === "sides" && scene.proved) {
    const by = scene.rowOfCell(), side = scene.sideOfRow();
    for (let k = 0; k < cells; k++) put(k, by[k] < 0 ? blue : sideColour(side[by[k]]));
  } else if (show === "sides") {
    for (let k = 0; k < cells; k++) put(k, target[k] > 0 ? sideColour(scene.sideOfCell[k]) : STUB);
  } else if (show === "reach") {
    for (let k = 0; k < cells; k++) put(k, target[k] > 0 ? REASONS[0] : STUB);
  } else if (show === "target") {
    for (let k = 0; k < cells; k++) put(k, target[k] > 0 ? bare : STUB);
  } else {
    for (let k = 0; k < cells; k++) put(k, heights[k] === before[k] ? blue : bare);
  }
}
