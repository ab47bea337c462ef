/** The page: one board with development and part under one rule of time, and the sheets below it. */
import { faultOf, getJson, news, start, stopRun, type Desk, type Run, type Shop } from "./api";
import { Board, type Show } from "./board";
import { Development } from "./development";
import { fill, fixed, h, minutes, percent } from "./dom";
import { deviationColour, leftColour, mostLeft, OUT_OF_REACH, reasonColour, sideColour } from "./paint";
import { printing } from "./printing";
import { NO_SIDE, Scene } from "./scene";
import { SectionView } from "./section";
import { AxisSheet } from "./sheets_axis";
import { CompareSheet } from "./sheets_compare";
import { PlanSheet } from "./sheets_plan";
import { ProofSheet } from "./sheets_proof";
import { StartSheet } from "./sheets_start";
import { T } from "./texts";
import { sketch } from "./sketch";
import { Timeline } from "./timeline";

const SHEETS = ["start", "plan", "proof", "compare", "axis"] as const;
type SheetName = (typeof SHEETS)[number];
const SHOWN = new Set(["plan", "make", "prove"]);

class Page {
  private board = new Board();
  private development = new Development(this.board);
  private timeline = new Timeline(this.board);
  private message = h("div", { class: "message", role: "alert", hidden: true });
  private progress = h("div", { class: "progress", role: "status" });
  private buttons = { plan: this.button("plan"), make: this.button("make"), prove: this.button("prove") };
  private stop = h("button", { type: "button", class: "stop", hidden: true, onclick: () => this.running && stopRun(this.running.number).catch(this.told) }, T.run.stop);
  private block = h("footer", { class: "title-block" });
  private shows = h("div", { class: "shows", role: "group", "aria-label": T.board.show });
  private legend = h("div", { class: "legend" });
  private measures = h("p", { class: "measures", "aria-live": "polite" });
  private still = h("input", { type: "checkbox", id: "still", onchange: () => this.board.set({ still: this.still.checked }, "time") });
  private picture = h("div", { class: "solid-box" });
  private tabs = new Map<SheetName, HTMLButtonElement>();
  private sheets: { start: StartSheet; plan: PlanSheet; proof: ProofSheet; compare: CompareSheet; axis: AxisSheet };
  private running: Run | undefined;
  private desk: Desk | null = null;
  private laid = 0;
  private opened: SheetName = "start";
  private heardBefore = false;
  private webgl = webgl();

  constructor(shop: Shop) {
    this.sheets = {
      start: new StartSheet(shop, this.told), plan: new PlanSheet(this.board, shop, this.told), proof: new ProofSheet(this.board),
      compare: new CompareSheet(this.told), axis: new AxisSheet(this.told),
    };
    this.lay();
    this.board.listen((changed) => {
      if (changed.has("scene") || changed.has("show") || changed.has("theme")) this.drawShows();
      if (changed.has("scene") || changed.has("marks") || changed.has("time")) this.drawMeasures();
      if (changed.has("theme")) this.sheets.compare.theme();
      if (changed.has("scene")) document.body.classList.toggle("bare", !this.board.view.scene);
    });
    printing([this.board, ...this.sheets.compare.boards]);
    document.body.classList.add("bare");
    this.open("start");
    this.drawShows();
    news((desk) => this.hear(desk), (gone) => this.lost(gone));
  }

  told = (error: unknown): void => {
    const fault = faultOf(error);
    this.say(`${fault.where ? `${fault.where}: ` : ""}${fault.what}${fault.remedy ? `. ${fault.remedy}` : ""}`);
  };

  private say(text: string): void {
    this.message.hidden = !text;
    fill(this.message, text, h("button", { type: "button", "aria-label": "×", onclick: () => this.say("") }, "×"));
  }

  private lost(gone: boolean): void {
    document.body.classList.toggle("lost", gone);
    if (gone) setTimeout(() => document.body.classList.contains("lost") && this.say(T.run.lost), 3000);
    else if (this.message.textContent?.startsWith(T.run.lost)) this.say("");
  }

  private button(what: "plan" | "make" | "prove"): HTMLButtonElement {
    return h("button", { type: "button", class: what === "make" ? "main" : "", disabled: true, onclick: () => { this.say(""); start(what).catch(this.told); } }, T.run[what]);
  }

  private lay(): void {
    const tabs = h("div", { class: "tabs", role: "tablist", "aria-label": T.tabsLabel });
    SHEETS.forEach((name, k) => {
      const tab = h("button", { type: "button", role: "tab", id: `tab-${name}`, "aria-controls": `sheet-${name}`, onclick: () => this.open(name) }, T.tabs[name]);
      tab.addEventListener("keydown", (event) => {
        const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
        if (!by) return;
        const next = SHEETS[(k + by + SHEETS.length) % SHEETS.length];
        this.open(next);
        this.tabs.get(next)!.focus();
      });
      this.tabs.set(name, tab);
      tabs.append(tab);
    });
    const theme = h("select", { "aria-label": T.theme.label, title: T.theme.label, onchange: () => dress(theme.value) }, ...(["auto", "light", "dark"] as const).map((name) => h("option", { value: name }, T.theme[name])));
    theme.value = localStorage.getItem("newel-theme") ?? "auto";
    const dress = (name: string) => {
      document.documentElement.dataset.theme = name;
      localStorage.setItem("newel-theme", name);
      this.board.stir("theme");
    };
    dress(theme.value);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.board.stir("theme"));
    const panels = SHEETS.map((name) => h("div", { role: "tabpanel", id: `sheet-${name}`, "aria-labelledby": `tab-${name}`, class: "panel" }, this.sheets[name].element));
    const section = new SectionView(this.board);
    if (this.webgl !== "none") {
      void import("./solid").then(({ Solid }) => { const solid = new Solid(this.board, this.webgl === "soft"); this.picture.prepend(solid.canvas, solid.printed); this.board.stir("scene"); }).catch(() => this.picture.prepend(this.withoutWebgl()));
    } else this.picture.append(this.withoutWebgl());
    fill(document.getElementById("page")!,
      h("a", { class: "skip", href: "#sheets" }, T.skip),
      h("header", { class: "head" }, h("h1", {}, T.title), this.progress, h("div", { class: "runs" }, this.buttons.plan, this.buttons.make, this.buttons.prove, this.stop), theme),
      this.message,
      h("main", {},
        sketch(),
        h("section", { class: "board", "aria-label": `${T.board.development}. ${T.board.solid}` },
          h("figure", { class: "paper" }, h("figcaption", {}, T.board.development, this.shows), this.development.canvas, this.legend, h("p", { id: "development-help", class: "for-readers" }, T.board.developmentHelp)),
          h("figure", { class: "paper" }, h("figcaption", {}, T.board.solid, h("span", {}, this.still, h("label", { for: "still" }, ` ${T.board.still}`))), this.picture, h("div", { class: "section-box", "aria-label": T.board.section }, section.canvas), h("p", { id: "solid-help", class: "for-readers" }, T.board.solidHelp))),
        this.measures, this.timeline.element,
        h("div", { id: "sheets", tabindex: -1 }, tabs, ...panels)),
      this.block);
  }

  private withoutWebgl(): HTMLElement {
    document.body.classList.add("no-webgl");
    return h("div", { class: "no-webgl-note" }, h("p", {}, T.board.noWebgl), h("div", { class: "pictures" }));
  }

  private open(name: SheetName): void {
    this.opened = name;
    for (const [key, tab] of this.tabs) {
      tab.setAttribute("aria-selected", String(key === name));
      tab.tabIndex = key === name ? 0 : -1;
      document.getElementById(`sheet-${key}`)!.hidden = key !== name;
    }
  }

  private hear(desk: Desk): void {
    const was = this.desk;
    this.desk = desk;
    this.running = desk.runs.find((run) => run.state === "running");
    const ready = !!desk.job && !desk.job.error && !this.running;
    this.buttons.plan.disabled = this.buttons.make.disabled = !ready;
    this.buttons.prove.disabled = !ready || !desk.results.some((name) => name.endsWith(".ngc"));
    this.stop.hidden = !this.running;
    this.drawProgress();
    this.sheets.start.hear(desk);
    this.sheets.plan.hear(desk.job?.asked);
    this.sheets.proof.hear(desk);
    this.sheets.compare.hear(desk);
    this.sheets.axis.hear(desk);
    for (const run of desk.runs) {
      const before = was?.runs.find((item) => item.number === run.number);
      if (run.state === "failed" && before?.state !== "failed" && this.heardBefore) this.told({ fault: run.error });
      if (run.state === "done" && run.what === "new" && before?.state === "running") void start("plan").catch(this.told);
    }
    const shown = desk.runs.filter((run) => run.state === "done" && SHOWN.has(run.what)).at(-1);
    if (shown && shown.number > this.laid) void this.show(shown);
    if (was?.job && desk.job && was.job.name !== desk.job.name && !this.running) void start("plan").catch(this.told);
    if (!this.heardBefore && ready && !desk.runs.length) void start("plan").catch(() => undefined);
    this.heardBefore = true;
    this.drawBlock();
    this.drawPictures();
  }

  private async show(run: Run): Promise<void> {
    this.laid = run.number;
    try {
      this.board.lay(await Scene.load(run.number));
      if (this.opened !== "compare" || run.what !== "prove") this.open(run.what === "plan" ? "plan" : "proof"); // who compares goes on comparing
      document.body.dataset.run = String(run.number);
    } catch (error) { this.told(error); }
    this.drawBlock();
    if (this.desk) this.sheets.proof.hear(this.desk);
  }

  private drawProgress(): void {
    const run = this.running;
    const last = this.desk?.runs.at(-1);
    document.title = run ? `${Math.round(run.share * 100)} % · ${T.title}` : this.desk?.job ? `${this.desk.job.name} · ${T.title}` : T.title;
    if (run) fill(this.progress, h("progress", { max: 1, value: run.share, "aria-label": T.run.names[run.what] }), h("span", {}, `${run.says || T.run.names[run.what]}${run.left && `, ${run.left}`}`));
    else fill(this.progress, last ? h("span", { class: "quiet" }, `${T.run.names[last.what]}: ${last.state === "failed" ? T.run.failed : last.state === "stopped" ? T.run.stopped : T.run.done}, ${T.run.took(last.took_s)}`) : "");
  }

  private drawShows(): void {
    const { scene, show } = this.board.view;
    const names: [Show, string, boolean][] = [["cut", T.board.asCut, !!scene?.proved], ["left", T.board.left, !!scene?.proved], ["sides", T.board.sides, !!scene?.file.plan.sides.length], ["reach", T.board.reach, !!scene?.file.plan.reach], ["deviation", T.board.deviation, !!scene?.measured], ["target", T.board.target, !!scene]];
    if (this.shows.childElementCount !== names.length) fill(this.shows, ...names.map(([name, text]) => h("button", { type: "button", onclick: () => this.board.choose(name) }, text)));
    names.forEach(([name, , on], k) => {
      const button = this.shows.children[k] as HTMLButtonElement;
      button.hidden = !on && (name === "sides" || name === "reach");
      button.disabled = !on;
      button.setAttribute("aria-pressed", String(show === name && !!scene));
    });
    const chip = (tone: string | number[], text: string) => {
      const box = h("span", { class: "chip" });
      box.style.background = typeof tone === "string" ? tone : `rgb(${tone.join()})`;
      return h("span", {}, box, text);
    };
    const ramp = (tones: number[][], low: string, high: string) => {
      const box = h("span", { class: "ramp" });
      box.style.background = `linear-gradient(90deg, ${tones.map((tone) => `rgb(${tone.join()})`).join()})`;
      return h("span", {}, low, box, high);
    };
    const scale = scene?.file.scale_mm ?? 0.1;
    if (!scene) fill(this.legend, T.board.empty);
    else if (show === "deviation") fill(this.legend, ramp([-1, -0.5, 0, 0.5, 1].map((at) => deviationColour(at * scale * 1000, scale)), `${T.board.gouge} −${scale.toFixed(2)} mm`, `+${scale.toFixed(2)} mm ${T.board.leftover}`), chip(OUT_OF_REACH, T.board.unreachable));
    else if (show === "left") fill(this.legend, ramp([0, 0.25, 0.6, 1].map(leftColour), "0", T.board.toCut(fixed(mostLeft(scene), 1, "mm"))));
    else if (show === "sides") fill(this.legend, scene.proved && chip("var(--blue-paint)", T.board.blue), ...scene.file.plan.sides.map((side, k) => chip(sideColour(k), T.board.side(k + 1, scene.saidA(side.turn_deg)))), chip(sideColour(NO_SIDE), T.board.turning));
    else if (show === "reach") fill(this.legend, ...scene.file.plan.reach!.shares.map((share, k) => share > 0 && chip(reasonColour(k), T.board.reachShare(percent(share), scene.file.plan.reach!.reasons[k]))));
    else if (show === "cut") fill(this.legend, chip("var(--blue-paint)", T.board.blue), chip("var(--bare)", T.board.bare));
    else fill(this.legend, chip("var(--bare)", T.board.target));
  }

  private drawMeasures(): void {
    const { scene, marks, show } = this.board.view;
    if (!scene) { fill(this.measures); return; }
    const mm = (value: number, digits = 2) => fixed(value, digits, T.units.mm);
    const parts = marks.map((mark) => {
      const across = mark.r + scene.radius(this.board.heights(), mark.x, mark.turn + 180);
      const said = [T.measure.point(mm(mark.x * scene.file.setup.along_x), fixed(scene.aOfTurn(mark.turn), 1, T.units.deg), mm(mark.r)), T.measure.diameter(mm(across))];
      return said.join(", ");
    });
    if (marks.length === 2) {
      const [a, b] = marks;
      const place = (m: typeof a) => [m.x, m.r * Math.sin((m.turn * Math.PI) / 180), m.r * Math.cos((m.turn * Math.PI) / 180)];
      const [p, q] = [place(a), place(b)];
      parts.push(T.measure.distance(mm(Math.hypot(p[0] - q[0], p[1] - q[1], p[2] - q[2])), mm(Math.abs(a.x - b.x)), fixed(Math.abs(((a.turn - b.turn + 540) % 360) - 180), 1, T.units.deg)));
    }
    fill(this.measures, h("b", {}, `${T.measure.title}: `), parts.length ? parts.map((text, k) => `${"AB"[k] ?? ""} ${text}`.trim()).join(" · ") : h("span", { class: "none" }, T.measure.none),
      parts.length > 0 && h("button", { type: "button", class: "small", onclick: () => this.board.set({ marks: [], pointer: null }, "marks") }, T.measure.clear));
    if (show === "deviation" && marks.length) void scene.pack("deviation").then(({ cell_um }) => {
      const { nx, na, from_x_mm, to_x_mm } = scene.file.cells;
      const mark = marks[marks.length - 1];
      if (mark.deviation !== undefined) { this.measures.append(` · ${T.measure.deviation(fixed(mark.deviation, 3, T.units.mm))}`); return; }
      const cell = Math.floor((mark.turn / 360) * na) * nx + Math.min(nx - 1, Math.floor(((mark.x - from_x_mm) / (to_x_mm - from_x_mm)) * nx));
      if (cell_um[cell] !== -32768) this.measures.append(` · ${T.measure.deviation(fixed(cell_um[cell] / 1000, 3, T.units.mm))}`);
    });
  }

  private drawBlock(): void {
    const scene = this.board.view.scene, proof = scene?.file.proof;
    const box = (name: string, text: string, kind = "") => h("div", { class: kind }, h("span", {}, name), h("b", {}, text));
    fill(this.block,
      box(T.block.job, this.desk?.job?.name.replace(/\.toml$/, "") ?? T.block.none), box(T.block.machine, scene?.file.machine.name ?? T.block.none), box(T.block.material, scene?.file.plan.bar.material ?? T.block.none),
      box(T.block.time, proof ? minutes(proof.time_min) : T.block.none),
      box(T.block.verdict, proof ? (proof.verdict === "proved" ? T.proof.proved : T.proof.notProved) : T.block.none, proof ? (proof.verdict === "proved" ? "stamp proved" : "stamp denied") : ""),
      box(T.block.seal, proof ? proof.seal.split(" ")[1]?.slice(0, 16) ?? proof.seal : T.block.none));
  }

  private drawPictures(): void {
    const place = document.querySelector(".no-webgl-note .pictures");
    if (!place || !this.desk) return;
    const names = this.desk.results.filter((name) => name.startsWith("pictures/"));
    if (place.childElementCount === names.length) return;
    fill(place, ...names.map((name) => h("a", { href: `api/results/${name}`, target: "_blank" }, h("img", { src: `api/results/${name}`, alt: name.includes("deviation") ? T.board.deviationPicture : name.includes("reach") ? T.board.reachPicture : T.board.picture }))));
  }
}

/** What draws 3D here: nothing, the processor, or a graphics card. */
function webgl(): "none" | "soft" | "hard" {
  try {
    const pen = document.createElement("canvas").getContext("webgl2");
    if (!pen) return "none";
    const facts = pen.getExtension("WEBGL_debug_renderer_info");
    const name = facts ? String(pen.getParameter(facts.UNMASKED_RENDERER_WEBGL)) : "";
    pen.getExtension("WEBGL_lose_context")?.loseContext();
    return /swiftshader|llvmpipe|software|basic render/i.test(name) ? "soft" : "hard";
  } catch { return "none"; }
}

void getJson<Shop>("api/shop").then((shop) => new Page(shop)); // index.html has asked for it already
