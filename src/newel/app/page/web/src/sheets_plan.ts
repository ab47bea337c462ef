/** The plan: cuts in order, every decision with its reason, and what changes when one is overruled. */
import { setField, start, type JobField, type Shop } from "./api";
import type { Board } from "./board";
import { fill, fixed, h } from "./dom";
import type { Decision, Scene } from "./scene";
import { T } from "./texts";

export class PlanSheet {
  readonly element = h("div", { class: "sheet plan" });
  private changes = h("section", { class: "changes", "aria-live": "polite" });
  private before: Scene | null = null;
  private now: Scene | null = null;

  constructor(board: Board, private shop: Shop, private told: (error: unknown) => void) {
    board.listen((changed) => { if (changed.has("scene")) this.lay(board.view.scene); });
    this.lay(null);
  }

  private lay(scene: Scene | null): void {
    if (!scene) { fill(this.element, h("p", { class: "quiet" }, T.plan.none)); return; }
    if (this.now && this.now !== scene) this.before = this.now;
    this.now = scene;
    const { plan, mended } = scene.file;
    const cuts = h("div", { class: "scrolls", tabindex: 0, role: "region", "aria-label": T.plan.cuts }, h("table", {}, h("thead", {}, h("tr", {}, ...T.plan.cutColumns.map((text) => h("th", { scope: "col" }, text)))),
      h("tbody", {}, ...plan.cuts.map((cut) => h("tr", {}, ...[
        String(cut.number), cut.name, `T${cut.cutter}`, cut.turn_deg === null || cut.turn_deg === undefined ? cut.direction : `A ${Math.round(scene.aOfTurn(cut.turn_deg))}°`,
        `${cut.spindle_rpm.toFixed(0)} rpm`, fixed(cut.feed_mm_per_min, 0, T.units.feed),
        fixed(cut.ap_mm, 2, T.units.mm), fixed(cut.ae_mm, 2, T.units.mm), `${cut.from_x_mm.toFixed(0)} … ${cut.to_x_mm.toFixed(0)} mm`,
      ].map((text) => h("td", {}, text)))))));
    this.compare();
    fill(this.element,
      h("div", { class: "column" }, h("h2", {}, T.plan.cuts), cuts, this.changes, mended.length > 0 && h("h2", {}, T.plan.mended), mended.length > 0 && h("ul", {}, ...mended.map((text) => h("li", {}, text))),
        h("p", { class: "caution" }, T.plan.cautions)),
      h("div", { class: "column wide" }, h("h2", {}, T.plan.decisions), h("ul", { class: "decisions" }, ...plan.decisions.map((item) => this.decision(item)))));
  }

  private decision(item: Decision): HTMLElement {
    const fields = this.shop.fields.filter((field) => field.decides.some((begin) => item.what.startsWith(begin)));
    const byJob = item.by !== "Newel";
    return h("li", { class: byJob ? "ours" : "" },
      h("p", { class: "what" }, item.what, byJob && h("span", { class: "by" }, T.plan.byJob)), h("p", { class: "chosen" }, item.chosen),
      h("p", { class: "because" }, h("i", {}, `${T.plan.because} `), item.because),
      item.instead_of.length > 0 && h("p", { class: "because" }, h("i", {}, `${T.plan.insteadOf} `), item.instead_of.join("; ")),
      fields.length > 0 && h("details", {}, h("summary", { "aria-label": `${T.plan.overrule}: ${item.what}` }, T.plan.overrule), ...fields.map((field) => this.overrule(field, item, byJob))));
  }

  private overrule(field: JobField, item: Decision, byJob: boolean): HTMLElement {
    const label = `[${field.table}] ${field.key}`;
    const options = field.kind === "cutter" ? this.shop.cutters.map((cutter) => cutter.name) : field.choices;
    const control = options.length
      ? h("select", { "aria-label": label }, ...options.map((name) => h("option", { value: name }, name)))
      : h("input", { "aria-label": label, class: "short", value: parseFloat(item.chosen) || "" });
    if (options.length && options.includes(item.chosen)) control.value = item.chosen;
    const put = (value: unknown) => setField(field.table, field.key, value).then(() => start("plan")).catch(this.told);
    const number = /^-?[\d.]+$/;
    return h("p", { class: "overrule" }, h("code", {}, label), control,
      h("button", { type: "button", onclick: () => put(number.test(control.value) ? Number(control.value) : control.value) }, T.plan.set),
      byJob && h("button", { type: "button", onclick: () => put(null) }, T.plan.leave));
  }

  /** Say what differs from the plan or proof that stood here before: decisions, then time, reach and load where both have them. */
  private compare(): void {
    const { before, now } = this;
    if (!before || !now) { fill(this.changes); return; }
    const rows: [string, string, string][] = [];
    const old = new Map(before.file.plan.decisions.map((item) => [item.what, item]));
    for (const item of now.file.plan.decisions) {
      const was = old.get(item.what);
      if (!was || was.chosen !== item.chosen) rows.push([item.what, was?.chosen ?? "—", item.chosen]);
      old.delete(item.what);
    }
    for (const item of old.values()) rows.push([item.what, item.chosen, "—"]);
    rows.push(...figureRows(before, now).filter(([, a, b]) => a !== b));
    fill(this.changes, h("h2", {}, T.plan.changed), rows.length
      ? h("table", {}, h("thead", {}, h("tr", {}, h("td", {}), h("th", { scope: "col" }, T.plan.before), h("th", { scope: "col" }, T.plan.now))),
        h("tbody", {}, ...rows.map(([what, a, b]) => h("tr", {}, h("th", { scope: "row" }, what), h("td", {}, a), h("td", {}, b)))))
      : h("p", { class: "quiet" }, T.plan.nothingChanged));
  }
}

/** Figures of two proofs beside each other; nothing where either is a plan only. */
export function figureRows(one: Scene, other: Scene): [string, string, string][] {
  if (!one.file.proof || !other.file.proof) return [];
  const [a, b] = [figures(one), figures(other)];
  return a.map(([name, text], k) => [name, text, b[k][1]]);
}

export function figures(scene: Scene): [string, string][] {
  const { proof, approaches } = scene.file;
  const { deviation, load } = proof!;
  const near = Math.min(...(approaches ?? []).map((item) => item.mm ?? Infinity));
  const hours = proof!.time_min === null ? "—" : `${proof!.time_min.toFixed(1)} min`;
  return [
    [T.proof.time, hours],
    [T.proof.within, fixed(deviation.within_tolerance_pct, 1, T.units.pct)],
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
