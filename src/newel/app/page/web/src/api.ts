/** What the server tells and is told. All of the state lives there: a reload or a second tab finds the same desk. */
export interface Fault { what: string; where: string; remedy: string }

export interface Figures {
  verdict?: string;
  programs?: string[];
  time_min?: number;
  load?: Record<string, number | null>;
  deviation?: Record<string, number | null>;
  nearest_mm?: number | null;
  seal?: string;
  findings?: number;
  said?: string;
}

export interface Run {
  number: number;
  what: string;
  label: string;
  state: "running" | "done" | "failed" | "stopped";
  says: string;
  share: number;
  left: string;
  took_s: number;
  figures: Figures;
  error: Partial<Fault>;
}

export interface Desk {
  folder: string;
  job: { name: string; text: string; error: Fault | null; asked?: Record<string, unknown> } | null;
  jobs: string[];
  runs: Run[];
  results: string[];
}

export interface JobField { table: string; key: string; kind: string; decides: string[]; choices: string[]; many: boolean }

export interface Shop {
  machines: string[];
  materials: string[];
  bars: { name: string; section: string; size_mm: number[] }[];
  cutters: { name: string; form: string; DC: number; LPR: number }[];
  fields: JobField[];
}

async function ask(path: string, method = "GET", body?: BodyInit): Promise<Response> {
  const answer = await fetch(path, { method, body, headers: method === "GET" ? {} : { "x-newel": "1" } });
  if (!answer.ok) {
    const fault = await answer.json().catch(() => ({ what: answer.statusText, where: "", remedy: "" }));
    throw Object.assign(new Error(fault.what), { fault });
  }
  return answer;
}

export const faultOf = (error: unknown): Fault =>
  (error as { fault?: Fault }).fault ?? { what: String((error as Error).message ?? error), where: "", remedy: "" };

export const getJson = async <V>(path: string): Promise<V> => (await ask(path)).json();
export const getText = async (path: string): Promise<string> => (await ask(path)).text();
export const getBytes = async (path: string): Promise<ArrayBuffer> => (await ask(path)).arrayBuffer();
export const post = async <V>(path: string, value: unknown): Promise<V> => (await ask(path, "POST", JSON.stringify(value))).json();
export const saveJob = (text: string) => ask("api/job", "PUT", text);
export const setField = (table: string, key: string, value: unknown) => post("api/job/field", { table, key, value });
/** Set keys of one entry of a list in the job file; null takes the entry out. */
export const setEntry = (table: string, row: number, values: Record<string, unknown> | null) => post("api/job/entry", { table, row, values });
export const stopRun = (number: number) => ask(`api/runs/${number}`, "DELETE");
export const start = (what: string, more: object = {}) => post<Run>("api/runs", { what, ...more });

export async function sendModel(file: File, unit: string, fit: boolean): Promise<Run> {
  const query = new URLSearchParams({ name: file.name, unit, fit: fit ? "yes" : "no" });
  return (await ask(`api/model?${query}`, "POST", file)).json();
}

export async function sendProgram(file: File): Promise<Run> {
  return (await ask(`api/program?${new URLSearchParams({ name: file.name })}`, "POST", file)).json();
}

/** Hear the desk's news; EventSource takes the line up again by itself where it breaks. */
export function news(hear: (desk: Desk) => void, lost: (gone: boolean) => void): void {
  const line = new EventSource("api/news");
  line.onmessage = (message) => { lost(false); hear(JSON.parse(message.data)); };
  line.onerror = () => lost(true);
}
