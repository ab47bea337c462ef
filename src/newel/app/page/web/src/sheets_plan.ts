/** The plan: sides and cuts in order, every decision with its reason, and what changes when one is overruled. */
import { setEntry, setField, start, type JobField, type Shop } from "./api";
import type { Board } from "./board";
import { fill, fixed, h, minutes, percent } from "./dom";
import { Asked, control } from "./asked";
import { reasonColour, sideColour } from "./paint";
import { NO_SIDE, type CutDoc, type Decision, type Scene } from "./scene";
import { T } from "./texts";

/** What is kept of an earlier plan or proof to compare with: no geometry. */
type Kept = Pick<Scene, "number" | "file">;
const KEPT = 8;
const FEEDS = "feeds along"; // how the decisions on feeds begin
const FOLDED_FROM = 5; // so many decisions of one sort are folded away

export class PlanSheet {
  readonly element = h("div", { class: "sheet plan" });
  private changes = h("section", { class: "changes", tabindex: -1, "aria-live": "polite" });
  private earlier: Kept[] = [];
  private asked: Asked;
  private rows: HTMLTableRowElement[] = [];
  private awaited = false; // a plan that was asked for here

  constructor(private board: Board, private shop: Shop, private told: (error: unknown) => void) {
    this.asked = new Asked(shop, told);
    board.listen((changed) => {
      if (changed.has("scene")) this.lay(board.view.scene);
      if (changed.has("pick")) this.point(board.view.pick);
    });
    this.lay(null);
  }

  /** Hear what the job file says now. */
  hear(asked: Record<string, unknown> | undefined): void { this.asked.hear(asked); }

  private lay(scene: Scene | null): void {
    if (!scene) { fill(this.element, h("p", { class: "quiet" }, T.plan.none)); return; }
    const { plan, mended } = scene.file;
    this.compare(scene);
    this.rows = [];
    const cuts = h("div", { class: "scrolls", tabindex: 0, role: "region", "aria-label": T.plan.cuts }, ...this.cuts(scene));
    const [sides, lost] = [this.sides(scene), this.outOfReach(scene)];
    const repairs = mended.length ? [h("h2", {}, T.plan.mended), h("ul", {}, ...mended.map((text) => h("li", {}, text)))] : [];
    fill(this.element,
      h("div", { class: "columns" }, sides.length > 0 && h("div", { class: "column wide" }, ...sides), lost.length + repairs.length > 0 && h("div", { class: "column" }, ...lost, ...repairs)),
      h("h2", {}, T.plan.cuts), h("p", { class: "quiet" }, T.plan.cutsHelp), cuts, h("p", { class: "caution" }, T.plan.cautions),
      this.changes, h("h2", {}, T.plan.decisions), ...this.decisions(plan.decisions), this.asked.element);
    if (this.awaited) this.changes.focus(); // what had the keyboard is gone: go where the answer stands
    this.awaited = false;
  }

  /** The sides with their reasons. */
  private sides(scene: Scene): HTMLElement[] {
    const { sides } = scene.file.plan;
    const written = (turn: number) => `${Number(((((scene.file.setup.along_x * turn) % 360) + 360) % 360).toFixed(1))}°`;
    const said = sides.map((side, k) => h("li", {}, chip(sideColour(k)), h("b", {}, `${T.board.side(k + 1, scene.saidA(side.turn_deg))} `),
      `${T.plan.sideShare(written(side.turn_deg), percent(side.area_share))}; ${side.because}`));
    return sides.length ? [h("h2", {}, T.plan.sides), h("ul", { class: "side-list" }, ...said)] : [];
  }

  /** What no side and no cutter comes to, by its reason. */
  private outOfReach(scene: Scene): HTMLElement[] {
    const { reach } = scene.file.plan;
    const lost = (reach?.shares ?? []).map((share, k) => [share, k] as const).filter(([share, k]) => k > 0 && share > 0);
    return !lost.length ? [] : [h("h2", {}, T.plan.outOfReach),
      h("ul", { class: "side-list" }, ...lost.map(([share, k]) => h("li", {}, chip(reasonColour(k)), T.board.reachShare(percent(share), reach!.reasons[k])))),
      h("p", {}, h("button", { type: "button", onclick: () => { this.board.choose("reach"); this.board.lookAt(); } }, T.plan.show(T.board.reach)))];
  }

  /** The table of cuts, in order; a line tells where the bar is turned to another side. */
  private cuts(scene: Scene): HTMLElement[] {
    const { cuts, sides } = scene.file.plan;
    const many = sides.length > 0;
    const body: HTMLElement[] = [];
    let before = -2;
    cuts.forEach((cut, k) => {
      const turn = scene.turnOfCut(cut);
      const side = turn === null ? NO_SIDE : nearest(scene, turn);
      if (many && side !== before) body.push(h("tr", { class: "turn" }, h("th", { colspan: T.plan.cutColumns.length, scope: "rowgroup" },
        chip(sideColour(side)), turn === null ? T.plan.aroundHead : T.plan.sideHead(side + 1, scene.saidA(turn)))));
      before = side;
      const told = [
        `T${cut.cutter}`, turn === null ? cut.direction : scene.saidA(turn), `${cut.spindle_rpm.toFixed(0)} rpm`, fixed(cut.feed_mm_per_min, 0, T.units.feed),
        cut.ap_mm > 0 ? fixed(cut.ap_mm, 2, T.units.mm) : "—", cut.ae_mm > 0 ? fixed(cut.ae_mm, 2, T.units.mm) : "—", `${cut.from_x_mm.toFixed(0)} … ${cut.to_x_mm.toFixed(0)} mm`,
        clock(scene.file.cut_rows?.[k]?.minutes),
      ];
      const row = h("tr", {}, h("td", {}, String(cut.number)),
        h("td", {}, h("button", { type: "button", class: "cut", "aria-pressed": "false", onclick: () => { this.board.pickCut(this.board.view.pick === k ? null : k); this.board.lookAt(); } }, scene.saidCut(cut)),
          ...details(cut).map((text) => h("span", { class: "where" }, text))),
        ...told.map((text) => h("td", {}, text)));
      this.rows[k] = row;
      body.push(row);
    });
    return [h("table", { class: "cuts" }, h("thead", {}, h("tr", {}, ...T.plan.cutColumns.map((text) => h("th", { scope: "col" }, text)))), h("tbody", {}, ...body))];
  }

  private point(pick: number | null): void {
    this.rows.forEach((row, k) => {
      row.classList.toggle("pointed", k === pick);
      row.querySelector("button")?.setAttribute("aria-pressed", String(k === pick));
    });
  }

  /** All decisions; those on the feeds along single cuts, of which there is one each, are folded away. */
  private decisions(all: Decision[]): HTMLElement[] {
    const list = (some: Decision[]) => h("ul", { class: "decisions" }, ...some.map((item) => this.decision(item)));
    const feeds = all.filter((item) => item.what.startsWith(FEEDS));
    if (feeds.length < FOLDED_FROM) return [list(all)];
    return [list(all.filter((item) => !feeds.includes(item))), h("details", { class: "laid-open" }, h("summary", {}, T.plan.feedsAlong(feeds.length)), list(feeds))];
  }

  private decision(item: Decision): HTMLElement {
    const fields = this.shop.fields.filter((field) => !field.many && field.decides.some((begin) => item.what.startsWith(begin)));
    const entries = this.asked.entriesFor(item);
    const byJob = item.by !== "Newel";
    return h("li", { class: byJob ? "ours" : "" },
      h("p", { class: "what" }, item.what, byJob && h("span", { class: "by" }, T.plan.byJob)), h("p", { class: "chosen" }, item.chosen),
      h("p", { class: "because" }, h("i", {}, `${T.plan.because} `), item.because),
      item.instead_of.length > 0 && h("p", { class: "because" }, h("i", {}, `${T.plan.insteadOf} `), item.instead_of.join("; ")),
      fields.length + entries.length > 0 && h("details", { class: "overruling" }, h("summary", { "aria-label": `${T.plan.overrule}: ${item.what}` }, T.plan.overrule),
        ...fields.map((field) => this.overrule(field, item, byJob, (value) => setField(field.table, field.key, value))),
        ...entries.map(({ field, row }) => this.overrule(field, item, byJob, (value) => setEntry(field.table, row, { [field.key]: value }), ` ${row + 1}`))));
  }

  private overrule(field: JobField, item: Decision, byJob: boolean, write: (value: unknown) => Promise<unknown>, which = ""): HTMLElement {
    const label = field.table ? `[${field.table}${which}] ${field.key}` : field.key;
    const { element, value } = control(this.shop, field, label, this.asked.valueOf(field) ?? item.chosen);
    const put = (to: unknown) => write(to).then(() => { this.awaited = true; return start("plan"); }).catch((error) => { this.awaited = false; this.told(error); });
    return h("p", { class: "overrule" }, h("code", {}, label), element,
      h("button", { type: "button", onclick: () => { try { void put(value()); } catch (error) { this.told(error); } } }, T.plan.set),
      (byJob || this.asked.valueOf(field) !== undefined) && h("button", { type: "button", onclick: () => put(null) }, T.plan.leave));
  }

  /** Say what differs from the last plan that was decided otherwise, and time, reach and load against the last proof of such a one. */
  private compare(scene: Scene): void {
    const decided = (kept: Kept) => JSON.stringify([kept.file.plan.decisions, kept.file.plan.cuts.length]);
    const other = this.earlier.filter((kept) => decided(kept) !== decided(scene));
    const before = other.at(-1), proved = other.filter((kept) => kept.file.proof).at(-1);
    if (this.earlier.at(-1)?.number !== scene.number) this.earlier = [...this.earlier, { number: scene.number, file: scene.file }].slice(-KEPT);
    if (!before) { fill(this.changes); return; }
    const rows = decisionRows(before, scene);
    rows.push([T.plan.cuts, String(before.file.plan.cuts.length), String(scene.file.plan.cuts.length)]);
    rows.push([T.plan.outOfReach, lostShare(before), lostShare(scene)]);
    if (proved) rows.push(...figureRows(proved, scene));
    const differ = rows.filter(([, a, b]) => a !== b);
    fill(this.changes, h("h2", {}, T.plan.changed), differ.length
      ? h("table", {}, h("thead", {}, h("tr", {}, h("td", {}), h("th", { scope: "col" }, T.plan.before), h("th", { scope: "col" }, T.plan.now))),
        h("tbody", {}, ...differ.map(([what, a, b]) => h("tr", {}, h("th", { scope: "row" }, what), h("td", {}, a), h("td", {}, b)))))
      : h("p", { class: "quiet" }, T.plan.nothingChanged));
  }
}

function nearest(scene: Scene, turn: number): number {
  const off = scene.file.plan.sides.map((side) => Math.abs(((turn - side.turn_deg + 540) % 360) - 180));
  const least = Math.min(...off);
  return least < 1 ? off.indexOf(least) : NO_SIDE;
}

function chip(tone: number[]): HTMLElement {
  const made = h("span", { class: "chip" });
  made.style.background = `rgb(${tone.join()})`;
  return made;
}

/** What a cut makes beside surface: holes by size, edges, lines, floors. */
function details(cut: CutDoc): string[] {
  const found: string[] = [];
  const holes = new Map<string, number>();
  for (const hole of cut.holes) {
    const how = `${hole.through ? T.plan.through : T.plan.deep(fixed(hole.top_z_mm - hole.floor_z_mm, 1, T.units.mm))}${hole.pitch_mm ? T.plan.thread(fixed(hole.pitch_mm, 2, T.units.mm)) : ""}`;
    const key = `${fixed(hole.diameter_mm, 2, T.units.mm)}|${how}`;
    holes.set(key, (holes.get(key) ?? 0) + 1);
  }
  for (const [key, n] of holes) found.push(T.plan.holes(n, ...(key.split("|") as [string, string])));
  if (cut.edges.length) found.push(T.plan.edges(cut.edges.length));
  if (cut.lines.length) found.push(T.plan.lines(cut.lines.length));
  if (cut.flats_z_mm.length) found.push(T.plan.floors(cut.flats_z_mm.length));
  return found;
}

const clock = (value: number | null | undefined): string => (value === null || value === undefined ? "—" : `${value.toFixed(1)} ${T.units.min}`);

function lostShare(scene: Kept): string {
  const { reach } = scene.file.plan;
  return reach ? percent(1 - (reach.shares[0] ?? 0)) : "—";
}

/** What two plans decide otherwise. */
export function decisionRows(one: Kept, other: Kept): [string, string, string][] {
  const rows: [string, string, string][] = [];
  const made = !!one.file.proof && !!other.file.proof; // the feeds along cuts are decided when their passes are made
  const of = ({ file }: Kept) => file.plan.decisions.filter((item) => made || !item.what.startsWith(FEEDS));
  const old = new Map(of(one).map((item) => [item.what, item]));
  for (const item of of(other)) {
    const was = old.get(item.what);
    if (!was || was.chosen !== item.chosen) rows.push([item.what, was?.chosen ?? "—", item.chosen]);
    old.delete(item.what);
  }
  for (const item of old.values()) rows.push([item.what, item.chosen, "—"]);
  return rows;
}

/** Figures of two proofs beside each other; nothing where either is a plan only. */
export function figureRows(one: Kept, other: Kept): [string, string, string][] {
  if (!one.file.proof || !other.file.proof) return [];
  const [a, b] = [figures(one), figures(other)];
  return a.map(([name, text], k) => [name, text, b[k][1]]);
}

export function figures(scene: Kept): [string, string][] {
  const { proof, approaches } = scene.file;
  const { deviation, load } = proof!;
  const near = Math.min(...(approaches ?? []).map((item) => item.mm ?? Infinity));
  return [
    [T.proof.time, minutes(proof!.time_min)],
    [T.proof.within, fixed(deviation.within_tolerance_pct, 2, T.units.pct)],
    [T.proof.gouge, fixed(deviation.gouge_max_mm, 3, T.units.mm)],
    [T.proof.leftover, fixed(deviation.leftover_max_mm, 3, T.units.mm)],
    [T.proof.unreachable, fixed(deviation.unreachable_pct, 2, T.units.pct)],
    [T.proof.force, fixed(load.force_max_N, 1, T.units.N)],
    [T.proof.torque, fixed(load.rotary_torque_max_Nm, 2, T.units.Nm)],
    [T.proof.cutterBends, fixed(load.cutter_bending_max_mm, 3, T.units.mm)],
    [T.proof.barBends, fixed(load.bar_bending_max_mm, 3, T.units.mm)],
    [T.proof.power, fixed(load.spindle_power_max_W, 0, T.units.W)],
    [T.proof.nearest, fixed(near, 1, T.units.mm)],
  ];
}
