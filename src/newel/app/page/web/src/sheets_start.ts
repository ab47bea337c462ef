/** The first sheet: a model or a job, and the job file itself, live. */
import { faultOf, post, saveJob, sendModel, setField, type Desk, type Shop } from "./api";
import { fill, h } from "./dom";
import { T } from "./texts";

export class StartSheet {
  readonly element = h("div", { class: "sheet start" });
  private text = h("textarea", { class: "job-text", spellcheck: "false", "aria-label": T.start.jobText, rows: 26, oninput: () => this.later() });
  private printed = h("pre", { class: "printed" });
  private state = h("output", { class: "save-state" });
  private fault = h("p", { class: "fault", role: "alert" });
  private fields = h("div", { class: "fields" });
  private jobs = h("ul", { class: "jobs" });
  private unit = h("select", { id: "unit" }, h("option", {}, "mm"), h("option", {}, "inch"));
  private fit = h("input", { type: "checkbox", id: "fit" });
  private sending = h("p", { class: "quiet", role: "status" });
  private folder = h("section", {}, h("h2", {}, T.start.jobs), this.jobs);
  private asked = h("section", {}, h("h2", {}, T.start.fields), this.fields, h("p", { class: "quiet" }, T.start.why));
  private road = h("section", { class: "column wide road" }, h("h2", {}, T.start.road), h("ol", {}, ...T.start.steps.map((text) => h("li", {}, text))));
  private written = h("section", { class: "column wide" }, h("header", {}, h("h2", {}, T.start.jobText), this.state), h("p", { class: "quiet" }, T.start.jobHelp), this.fault, this.text, this.printed);
  private waiting = 0;
  private saved = "";
  private desk: Desk | null = null;

  constructor(private shop: Shop, private told: (error: unknown) => void) {
    const file = h("input", { type: "file", accept: ".stl,.obj,.ply,.3mf,.step,.stp", class: "away", id: "model-file", onchange: () => void this.take(file.files?.[0]) });
    const drop = h("div", { class: "drop" },
      h("p", { class: "drop-head" }, T.start.drop), h("p", {}, T.start.dropHelp),
      h("label", { for: "model-file", class: "button" }, T.start.choose), file,
      h("p", {}, h("label", { for: "unit" }, `${T.start.unit} `), this.unit), h("p", {}, this.fit, h("label", { for: "fit" }, ` ${T.start.fit}`)));
    for (const kind of ["dragover", "dragenter"]) document.addEventListener(kind, (event) => { event.preventDefault(); drop.classList.add("over"); });
    document.addEventListener("dragleave", () => drop.classList.remove("over"));
    document.addEventListener("drop", (event) => {
      event.preventDefault();
      drop.classList.remove("over");
      void this.take(event.dataTransfer?.files[0]);
    });
    addEventListener("beforeprint", () => { this.printed.textContent = this.text.value; }); // a field prints no more than it shows
    fill(this.element,
      h("div", { class: "column" }, drop, this.sending, this.folder, this.asked),
      this.road, this.written);
    this.asked.hidden = this.written.hidden = true;
  }

  hear(desk: Desk): void {
    this.desk = desk;
    fill(this.jobs, ...desk.jobs.map((name) => h("li", {},
      h("button", { type: "button", "aria-pressed": String(name === desk.job?.name), onclick: () => post("api/job/open", { name }).catch(this.told) }, name))));
    const text = desk.job?.text ?? "";
    if (text !== this.saved && document.activeElement !== this.text) this.text.value = text;
    this.saved = text;
    this.folder.hidden = !desk.jobs.length;
    this.asked.hidden = this.written.hidden = !desk.job;
    this.road.hidden = !!desk.job;
    this.fault.textContent = desk.job?.error ? `${desk.job.error.where}: ${desk.job.error.what}. ${desk.job.error.remedy}` : "";
    if (!this.fields.contains(document.activeElement)) this.ask(text);
  }

  private ask(text: string): void {
    const line = (table: string, key: string) => {
      const body = table ? text.split(new RegExp(`^\\[${table}\\]`, "m"))[1]?.split(/^\[/m)[0] ?? "" : text.split(/^\[/m)[0];
      return new RegExp(`^\\s*${key}\\s*=\\s*("([^"]*)"|[^#\\n]*)(?:[ \\t]*#[ \\t]*(.*))?`, "m").exec(body);
    };
    const value = (table: string, key: string) => { const found = line(table, key); return (found?.[2] ?? found?.[1] ?? "").trim(); };
    /** What the job file says beside the field: the reason of a default. Where names are listed there is a list here. */
    const reason = (table: string, key: string) => { const found = line(table, key)?.[3] ?? ""; return found.startsWith("names:") ? "" : found; };
    const set = (table: string, key: string, to: unknown) => setField(table, key, to).catch(this.told);
    const row = (id: string, label: string, control: HTMLElement, why: string) => { control.id = id; return h("p", {}, h("span", {}, h("label", { for: id }, label), why && h("span", { class: "where" }, why)), control); };
    const choice = (id: string, label: string, table: string, key: string, names: string[]) => {
      const control = h("select", { disabled: !this.desk?.job, onchange: () => set(table, key, control.value) }, ...names.map((name) => h("option", { value: name }, T.start.sections[name] ?? name)));
      control.value = value(table, key);
      return row(id, label, control, reason(table, key));
    };
    const number = (id: string, label: string, table: string, key: string) => {
      const control = h("input", {
        class: "short", disabled: !this.desk?.job, value: value(table, key),
        onchange: () => { try { set(table, key, /^[\d.\s[\],]+$/.test(control.value) ? JSON.parse(control.value) : control.value); } catch { control.value = value(table, key); } },
      });
      return row(id, label, control, reason(table, key));
    };
    fill(this.fields,
      choice("f-machine", T.start.machine, "", "machine", this.shop.machines), choice("f-material", T.start.material, "bar", "material", this.shop.materials),
      choice("f-section", T.start.section, "bar", "section", ["round", "square", "rectangle", "hexagon"]), number("f-size", T.start.size, "bar", "size_mm"),
      number("f-tolerance", T.start.tolerance, "finish", "tolerance_mm"), number("f-resolution", T.start.resolution, "proof", "resolution_mm"),
      this.cutters(value("", "cutters"), set));
  }

  private cutters(written: string, set: (table: string, key: string, to: unknown) => void): HTMLElement {
    const chosen = new Set([...written.matchAll(/"([^"]*)"/g)].map((match) => match[1]));
    const change = () => {
      const names = [...box.querySelectorAll<HTMLInputElement>("input")].filter((item) => item.checked).map((item) => item.value);
      set("", "cutters", names.length && names.length < this.shop.cutters.length ? names : null);
    };
    const box = h("div", { class: "cutters" }, ...this.shop.cutters.map((cutter, k) => h("span", {},
      h("input", { type: "checkbox", id: `c-${k}`, value: cutter.name, disabled: !this.desk?.job, checked: !chosen.size || chosen.has(cutter.name), onchange: change }),
      h("label", { for: `c-${k}` }, ` ${cutter.name}`))));
    return h("details", {}, h("summary", {}, `${T.start.cutters}: ${chosen.size || T.start.allCutters}`), box);
  }

  private later(): void {
    clearTimeout(this.waiting);
    this.state.textContent = "…";
    this.waiting = window.setTimeout(() => {
      saveJob(this.text.value).then(() => { this.state.textContent = T.start.saved; this.fault.textContent = ""; }).catch((error) => {
        const fault = faultOf(error);
        this.state.textContent = "";
        this.fault.textContent = `${T.start.notSaved}${fault.where ? `${fault.where}: ` : ""}${fault.what}. ${fault.remedy}`;
      });
    }, 500);
  }

  private async take(file: File | undefined): Promise<void> {
    if (!file) return;
    if (/\.(ngc|nc|tap|gcode|cnc|txt|din)$/i.test(file.name)) { document.dispatchEvent(new CustomEvent("foreign", { detail: file })); return; }
    if (!/\.(stl|obj|ply|3mf|step|stp)$/i.test(file.name)) { this.told(new Error(T.start.notAModel(file.name))); return; }
    this.sending.textContent = T.start.sending(file.name);
    await sendModel(file, this.unit.value, this.fit.checked).catch(this.told);
    this.sending.textContent = "";
  }
}
