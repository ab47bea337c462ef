/** Probing: where to touch, what was read, and the fit drawn over the readings. */
import { getJson, start, type Desk, type Run } from "./api";
import { fill, fixed, h, svg } from "./dom";
import { T } from "./texts";

interface Touch { name: string; says: string; axis: string; way: number; at_mm: [number, number, number]; expected_mm: number; contact_mm: number; turn_deg: number; a_deg: number }
interface Routine { kind: string; says: string; touches: Touch[]; ball_mm: number; bar: { section: string; size_mm: number[]; from_x_mm: number; to_x_mm: number; turned_deg: number } }
interface Fit { estimates: { says: string; unit: string; value: number; band: number }[]; residuals: { name: string; off_mm: number; from_planned_mm: number; stands_out: boolean }[]; text: string; spread_mm: number }

const KINDS = ["axis-height-and-centre", "axis-tilt", "level-flat", "bar-centre", "jaw-face", "rotary-steps", "everything"];
const W = 330, TALL = 300;

export class AxisSheet {
  readonly element = h("div", { class: "sheet axis" });
  private kind = h("select", { id: "axis-kind" }, ...KINDS.map((kind) => h("option", { value: kind }, kind.replaceAll("-", " "))));
  private form = h("div", { class: "column" });
  private drawing = h("div", { class: "column" });
  private found = h("div", { class: "column wide", "aria-live": "polite" });
  private routine: Routine | null = null;
  private number = 0;
  private fitNumber = 0;
  private inputs = new Map<string, HTMLInputElement>();

  constructor(private told: (error: unknown) => void) {
    const ask = h("button", { type: "button", onclick: () => start("routine", { kind: this.kind.value }).catch(this.told) }, T.axis.show);
    fill(this.element, h("p", { class: "axis-head" }, T.axis.help, " ", h("label", { for: "axis-kind" }, `${T.axis.kind} `), this.kind, ask, h("span", { class: "quiet" }, ` ${T.axis.byCommand}`)),
      h("div", { class: "columns" }, this.form, this.drawing, this.found));
  }

  hear(desk: Desk): void {
    const last = (what: string): Run | undefined => desk.runs.filter((run) => run.what === what && run.state === "done").at(-1);
    const routine = last("routine"), fit = last("fit");
    if (routine && routine.number !== this.number) { this.number = routine.number; void getJson<Routine>(`api/runs/${routine.number}/routine.json`).then((got) => this.lay(got)).catch(this.told); }
    if (fit && fit.number !== this.fitNumber) { this.fitNumber = fit.number; void getJson<Fit>(`api/runs/${fit.number}/fit.json`).then((got) => this.show(got)).catch(this.told); }
  }

  private lay(routine: Routine): void {
    this.routine = routine;
    this.inputs.clear();
    fill(this.found);
    const rows = routine.touches.map((touch, k) => {
      const input = h("input", { class: "short", inputmode: "decimal", "aria-label": `${touch.name}, ${T.axis.reading}`, onfocus: () => this.draw(k) });
      this.inputs.set(touch.name, input);
      return h("tr", {}, h("th", { scope: "row" }, `${k + 1}`), h("td", {}, touch.says), h("td", {}, touch.expected_mm.toFixed(3)), h("td", {}, input));
    });
    fill(this.form, h("h2", {}, T.axis.touches), h("p", { class: "quiet" }, routine.says),
      h("div", { class: "scrolls", tabindex: 0, role: "region", "aria-label": T.axis.touches }, h("table", {}, h("thead", {}, h("tr", {}, h("td", {}), h("th", { scope: "col" }, T.axis.touches), h("th", { scope: "col" }, `${T.axis.expected}, mm`), h("th", { scope: "col" }, T.axis.reading))), h("tbody", {}, ...rows))),
      h("p", {}, h("button", { type: "button", class: "main", onclick: () => this.fit() }, T.axis.fit), h("button", { type: "button", onclick: () => this.inputs.forEach((input) => { input.value = ""; }) }, T.axis.clear)));
    this.draw(0);
  }

  private fit(): void {
    const values: Record<string, number> = {};
    for (const [name, input] of this.inputs) {
      const value = parseFloat(input.value.replace(",", "."));
      if (Number.isFinite(value)) values[name] = value;
    }
    void start("fit", { routine: this.number, values }).catch(this.told);
  }

  /** The section with the bar turned as for the touch, all touches at that turn, and a side view with where along X. */
  private draw(current: number, fit?: Fit): void {
    const routine = this.routine!;
    const here = routine.touches[current];
    const same = routine.touches.filter((touch) => Math.abs(touch.turn_deg - here.turn_deg) < 0.01 && Math.abs(touch.at_mm[0] - here.at_mm[0]) < 0.6);
    const half = Math.max(...routine.bar.size_mm) * 0.71 + 12, scale = W / 2 / half;
    const X = (y: number) => W / 2 + y * scale, Y = (z: number) => TALL / 2 - z * scale;
    const picture = svg("svg", { viewBox: `0 0 ${W} ${TALL + 90}`, role: "img", "aria-label": T.axis.drawing, class: "touch-drawing" });
    picture.append(barSection(routine, here.turn_deg, X, Y, scale));
    picture.append(svg("path", { d: `M10 ${Y(0)}H${W - 10}M${X(0)} 10V${TALL - 10}`, class: "axis-line" }));
    for (const touch of same) {
      const way = touch.axis === "Y" ? [touch.way, 0] : touch.axis === "Z" ? [0, touch.way] : [0, 0];
      const r = routine.ball_mm / 2;
      const ball = touch.axis === "Y" ? [touch.contact_mm, touch.at_mm[2] + r] : touch.axis === "Z" ? [touch.at_mm[1], touch.contact_mm + r] : [touch.at_mm[1], touch.at_mm[2] + r];
      picture.append(svg("circle", { cx: X(ball[0]), cy: Y(ball[1]), r: Math.max(4, r * scale), class: touch === here ? "ball now" : "ball" }));
      if (way[0] || way[1]) picture.append(arrow(X(ball[0] - way[0] * 14), Y(ball[1] - way[1] * 14), X(ball[0] - way[0] * 3), Y(ball[1] - way[1] * 3), touch === here));
      const off = fit?.residuals.find((item) => item.name === touch.name);
      if (off) picture.append(svg("text", { x: X(ball[0]) + 8, y: Y(ball[1]) - 6, class: off.stands_out ? "off out" : "off" }, `${off.off_mm >= 0 ? "+" : ""}${(off.off_mm * 1000).toFixed(0)} µm`));
    }
    picture.append(svg("text", { x: 8, y: 16, class: "label" }, `A ${here.a_deg.toFixed(1)}°`));
    const { from_x_mm, to_x_mm } = routine.bar;
    const XX = (x: number) => 12 + ((x - from_x_mm) / (to_x_mm - from_x_mm)) * (W - 24);
    picture.append(svg("rect", { x: 12, y: TALL + 30, width: W - 24, height: 22, class: "bar-shape" }), svg("path", { d: `M${XX(0)} ${TALL + 22}V${TALL + 60}`, class: "jaw-line" }),
      svg("text", { x: XX(0) + 3, y: TALL + 72, class: "label" }, "0"));
    for (const touch of routine.touches) picture.append(svg("circle", { cx: XX(touch.at_mm[0]), cy: TALL + (touch.axis === "Z" ? 28 : 41), r: touch === here ? 5 : 3, class: touch === here ? "ball now" : "ball" }));
    picture.append(svg("text", { x: XX(here.at_mm[0]), y: TALL + 18, class: "label middle" }, `X ${Math.abs(here.at_mm[0]).toFixed(1)}`));
    fill(this.drawing, h("h2", {}, fit ? T.axis.fitDrawing : T.axis.touches), h("p", { class: "quiet" }, `${current + 1}. ${here.says}`), picture as unknown as HTMLElement);
  }

  private show(fit: Fit): void {
    if (this.routine) this.draw(0, fit);
    const most = Math.max(0.005, ...fit.residuals.map((item) => Math.abs(item.off_mm)));
    const tall = 18 * fit.residuals.length + 24;
    const plot = svg("svg", { viewBox: `0 0 520 ${tall}`, class: "residuals", role: "img", "aria-label": T.axis.fitDrawing });
    plot.append(svg("path", { d: `M300 4V${tall - 16}`, class: "axis-line" }));
    fit.residuals.forEach((item, k) => {
      const x = 300 + (item.off_mm / most) * 150, y = 14 + 18 * k;
      plot.append(svg("path", { d: `M300 ${y - 4}H${x}`, class: item.stands_out ? "bar out" : "bar" }), svg("text", { x: 8, y, class: "label" }, item.name.slice(0, 44)),
        svg("text", { x: 470, y, class: item.stands_out ? "off out" : "off" }, `${(item.off_mm * 1000).toFixed(0)} µm`));
    });
    const number = (value: number, unit: string) => (unit === "mm/mm" ? `${(value * 1000).toFixed(3)} mm/m` : fixed(value, unit === "mm" || unit === "deg" ? 3 : 6, unit === "deg" ? "°" : unit));
    fill(this.found, h("h2", {}, T.axis.found), h("table", {}, h("tbody", {}, ...fit.estimates.map((item) => h("tr", {}, h("th", { scope: "row" }, item.says), h("td", {}, `${number(item.value, item.unit)} ± ${number(item.band, item.unit)}`))))),
      h("h2", {}, T.axis.fitDrawing), plot as unknown as HTMLElement, h("pre", { tabindex: 0, class: "fit-text" }, fit.text));
  }
}

function barSection(routine: Routine, turn: number, X: (y: number) => number, Y: (z: number) => number, scale: number): SVGElement {
  const { section, size_mm, turned_deg } = routine.bar;
  if (section === "round") return svg("circle", { cx: X(0), cy: Y(0), r: (size_mm[0] / 2) * scale, class: "bar-shape" });
  const n = section === "hexagon" ? 6 : 4;
  const points = [...Array(n).keys()].map((k) => {
    let y: number, z: number;
    if (n === 4) [y, z] = [((k === 0 || k === 3 ? 1 : -1) * size_mm[0]) / 2, ((k < 2 ? 1 : -1) * size_mm.at(-1)!) / 2];
    else [y, z] = [(size_mm[0] / Math.sqrt(3)) * Math.cos((Math.PI * k) / 3), (size_mm[0] / Math.sqrt(3)) * Math.sin((Math.PI * k) / 3)];
    const a = ((turned_deg + turn) * Math.PI) / 180;
    return `${X(y * Math.cos(a) - z * Math.sin(a))},${Y(y * Math.sin(a) + z * Math.cos(a))}`;
  });
  return svg("polygon", { points: points.join(" "), class: "bar-shape" });
}

function arrow(x0: number, y0: number, x1: number, y1: number, now: boolean): SVGElement {
  const long = Math.hypot(x1 - x0, y1 - y0) || 1, ux = (x1 - x0) / long, uy = (y1 - y0) / long;
  return svg("path", { d: `M${x0} ${y0}L${x1} ${y1}M${x1 - 7 * ux - 4 * uy} ${y1 - 7 * uy + 4 * ux}L${x1} ${y1}L${x1 - 7 * ux + 4 * uy} ${y1 - 7 * uy - 4 * ux}`, class: now ? "way now" : "way" });
}
