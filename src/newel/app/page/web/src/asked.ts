/** Fields of the job file that no decision stands for, and the lists in it: threads, groups of surfaces, ornament. */
import { setEntry, setField, start, type JobField, type Shop } from "./api";
import { fill, h } from "./dom";
import type { Decision } from "./scene";
import { T } from "./texts";

type Table = Record<string, unknown>;

/** A control for one field, and what it says as the job file writes it; an empty one says null. */
export function control(shop: Shop, field: JobField, label: string, now: unknown): { element: HTMLInputElement | HTMLSelectElement; value: () => unknown } {
  const options = field.kind === "cutter" ? shop.cutters.map((cutter) => cutter.name) : field.kind === "truth" ? ["true", "false"] : field.choices;
  if (options.length) {
    const words = (name: string) => (field.kind === "truth" ? (name === "true" ? T.plan.yes : T.plan.no) : name);
    const element = h("select", { "aria-label": label }, h("option", { value: "" }, T.plan.leaveIt), ...options.map((name) => h("option", { value: name }, words(name))));
    element.value = options.includes(String(now)) ? String(now) : "";
    return { element, value: () => (element.value === "" ? null : field.kind === "truth" ? element.value === "true" : element.value) };
  }
  const element = h("input", { "aria-label": label, class: field.kind === "numbers" ? "middling" : "short", value: shown(field, now) });
  return { element, value: () => read(field, element.value.trim()) };
}

function shown(field: JobField, now: unknown): string {
  if (Array.isArray(now)) return now.join(", ");
  if (now === undefined || now === null) return "";
  if (field.kind === "text") return String(now);
  const found = String(now).match(/-?\d+(\.\d+)?/g) ?? [];
  return field.kind === "numbers" ? found.slice(String(now).includes(" at ") ? 1 : 0).join(", ") : found[0] ?? "";
}

/** What was typed, as the job file has it: numbers as numbers; a length may be a text such as 1/8 in. */
function read(field: JobField, text: string): unknown {
  if (!text) return null;
  if (field.kind === "text") return text;
  if (field.kind === "numbers") return text.split(/[,;\s]+/).filter(Boolean).map(Number);
  return /^-?[\d.]+$/.test(text) ? Number(text) : text;
}

export class Asked {
  readonly element = h("section", { class: "asked" });
  private asked: Table = {};
  private shown = "";

  constructor(private shop: Shop, private told: (error: unknown) => void) {}

  /** Take over what the job file says; nothing is drawn anew under someone's hands. */
  hear(asked: Table | undefined): void {
    this.asked = asked ?? {};
    const state = JSON.stringify(this.asked);
    const hands = document.activeElement;
    if (state === this.shown || (this.element.contains(hands) && hands?.matches("input, select"))) return;
    this.shown = state;
    this.draw();
  }

  valueOf(field: JobField): unknown {
    if (field.many) return undefined;
    return field.table ? (this.asked[field.table] as Table | undefined)?.[field.key] : this.asked[field.key];
  }

  /** Entries of lists that a decision was made for: the cutter for 'Anno' belongs to the ornament with that text. */
  entriesFor(item: Decision): { field: JobField; row: number }[] {
    return this.shop.fields.filter((field) => field.many && field.decides.some((begin) => item.what.startsWith(begin))).flatMap((field) =>
      this.entries(field.table).flatMap((entry, row) => {
        const named = [entry.text, entry.file].filter((text): text is string => typeof text === "string").map((text) => text.split(/\s+/).join(" "));
        return named.some((text) => item.what.includes(text)) ? [{ field, row }] : [];
      }));
  }

  private entries(table: string): Table[] {
    const found = this.asked[table];
    return Array.isArray(found) ? (found as Table[]) : [];
  }

  private draw(): void {
    const single = this.shop.fields.filter((field) => !field.many && !field.decides.length);
    const put = (written: Promise<unknown>) => written.then(() => start("plan")).catch(this.told);
    const rows = single.map((field) => {
      const label = `[${field.table}] ${field.key}`;
      const made = control(this.shop, field, label, this.valueOf(field));
      return h("p", { class: "overrule" }, h("code", {}, label), made.element, h("button", { type: "button", "aria-label": `${T.plan.set} ${label}`, onclick: () => put(setField(field.table, field.key, made.value())) }, T.plan.set));
    });
    const lists = [...new Set(this.shop.fields.filter((field) => field.many).map((field) => field.table))].map((table) => this.list(table, put));
    const before = [...this.element.querySelectorAll("details")].map((part) => part.open), within = this.element.contains(document.activeElement);
    fill(this.element, h("details", {}, h("summary", {}, T.plan.asked), h("p", { class: "quiet" }, T.plan.askedHelp), ...rows, ...lists));
    this.element.querySelectorAll("details").forEach((part, k) => { part.open = before[k] ?? false; });
    if (within) this.element.querySelector("summary")?.focus();
  }

  private list(table: string, put: (written: Promise<unknown>) => void): HTMLElement {
    const fields = this.shop.fields.filter((field) => field.many && field.table === table);
    const entries = this.entries(table);
    const forms = [...entries, {} as Table].map((entry, row) => {
      const fresh = row === entries.length, name = fresh ? T.plan.newEntry : T.plan.entry(row + 1);
      const controls = fields.map((field) => ({ field, ...control(this.shop, field, `[${table} ${name}] ${field.key}`, entry[field.key]) }));
      const values = () => Object.fromEntries(controls.map(({ field, value }) => [field.key, value()] as const).filter(([key, value]) => value !== null || key in entry));
      return h("fieldset", {}, h("legend", {}, `[${table}] ${name}`),
        h("div", { class: "entry" }, ...controls.map(({ field, element }) => h("label", {}, h("code", {}, field.key), element))),
        h("button", { type: "button", "aria-label": `${fresh ? T.plan.add : T.plan.set} [${table}] ${name}`, onclick: () => put(setEntry(table, row, values())) }, fresh ? T.plan.add : T.plan.set),
        !fresh && h("button", { type: "button", "aria-label": `${T.plan.remove} [${table}] ${name}`, onclick: () => put(setEntry(table, row, null)) }, T.plan.remove));
    });
    return h("details", { class: "list" }, h("summary", {}, `${T.plan.lists[table] ?? table} (${entries.length})`), ...forms);
  }
}
