// Carries jobs in a thread of its own: keeps their tables, and works out how a job stands when the server cannot.
import type { Queued } from "../queue";
import { jobPath, type Working } from "../server";
import { tableOf } from "../twin";
import { Hunt } from "../twin";
import type { Found } from "../twin/observing";
import { checkOf, type Sent, type Table } from "../twin/table";
import { NotInTable } from "../twin/volts";
import { speakWith, spoken } from "../texts/say";
import type { Said } from "./said";
import { type Had, standing, type Standing } from "./standing";

/** Where tables are kept, packed; so many jobs, those used last. */
const BOX = "halfsplit-carried";
const MOST_JOBS = 4;
/** A table of a large machine holds what tells most when it is made, so it is made anew after so many findings. */
const STALE = 8;

export type Question =
  | { ask: "carry"; job: string }
  | { ask: "stands"; job: string; base: Working; queued: Queued[]; other: number };
export type Reply = { carried: number } | { standing: Standing | null };

interface Carried {
  table: Table;
  said: Said;
  had: Had;
  whole: boolean;
  /** In which its sentences are. */
  language: string;
}

const jobs = new Map<string, Carried>();

async function carry(job: string): Promise<number> {
  const had = hadIn(await fetched(jobPath(job, "found")).then((found) => found.json()));
  const known = await carried(job);
  if (known && known.language === spoken().language && fits(known, had)) {
    known.had = had;
  } else {
    // It is kept as it came, packed.
    const sent = await (await fetched(jobPath(job, "table"))).blob();
    jobs.set(job, read(await unpack(sent.stream())));
    await keep(jobPath(job, "table"), new Response(sent));
  }
  await keep(jobPath(job, "found"), Response.json(jobs.get(job)!.had));
  return jobs.get(job)!.had.entries;
}

async function fetched(path: string): Promise<Response> {
  const found = await fetch(path, { cache: "no-store", credentials: "same-origin" });
  if (!found.ok) throw new Error(`${path}: ${found.status}`);
  return found;
}

/** Whether a table can weigh all that was found, and is not too old. */
function fits(known: Carried, had: Had): boolean {
  if (!known.whole && had.found.length - known.table.found.length >= STALE) return false;
  try {
    new Hunt({ ...known.table, found: had.found, openSteps: had.open_steps });
    return true;
  } catch (error) {
    if (error instanceof NotInTable) return false;
    throw error;
  }
}

function unpack(sent: ReadableStream<Uint8Array<ArrayBuffer>>): Promise<string> {
  return new Response(sent.pipeThrough(new DecompressionStream("gzip"))).text();
}

async function keep(path: string, what: Response): Promise<void> {
  const box = await caches.open(BOX);
  await box.put(path, what);
  const tables = (await box.keys()).filter((one) => one.url.endsWith("/table"));
  for (const old of tables.slice(0, Math.max(0, tables.length - MOST_JOBS))) {
    await box.delete(old);
    await box.delete(old.url.replace(/table$/, "found"));
  }
}

/** What is carried of a job, from this thread's memory or the phone's disk. */
async function carried(job: string): Promise<Carried | null> {
  const known = jobs.get(job);
  if (known) return known;
  const box = await caches.open(BOX);
  const table = await box.match(jobPath(job, "table"));
  if (!table?.body) return null;
  try {
    const found = read(await unpack(table.body));
    const later = await box.match(jobPath(job, "found"));
    if (later) found.had = hadIn(await later.json());
    jobs.set(job, found);
    return found;
  } catch {
    // Written by another version of the app, or torn: it is fetched anew when the server is back.
    await box.delete(jobPath(job, "table"));
    return null;
  }
}

function read(text: string): Carried {
  const sent = JSON.parse(text) as Sent & { said: Said; language: string } & Had;
  const whole = Object.keys(sent.left).length === 0;
  return { table: tableOf(sent), said: sent.said, had: hadIn(sent), whole, language: sent.language };
}

function hadIn(sent: Had): Had {
  const found = sent.found.map((one): Found => ({
    observation: one.observation, check: one.check && checkOf(one.check),
  }));
  return { entries: sent.entries, found: found.map(finite), numbers: sent.numbers, open_steps: sent.open_steps };
}

/** JSON has no infinity, which is what an ohmmeter shows over its range. */
function finite(one: Found): Found {
  const seen = one.observation as { value?: unknown };
  return seen.value === "Infinity" ? { ...one, observation: { ...one.observation, value: Infinity } as never } : one;
}

async function stands(question: Question & { ask: "stands" }): Promise<Standing | null> {
  const known = await carried(question.job);
  if (!known) return null;
  try {
    return standing(known.table, known.said, known.had, question.base, question.queued, question.other);
  } catch (error) {
    if (error instanceof NotInTable) return null;
    throw error;
  }
}

// One question after the other: a table that is being read is not read twice.
let before: Promise<unknown> = Promise.resolve();

type Spoken = ReturnType<typeof spoken>;

addEventListener("message", (event: MessageEvent<Spoken | { id: number; question: Question }>) => {
  if ("texts" in event.data) {
    const { texts, language } = event.data;
    before = before.then(() => speakWith(texts, language));
    return;
  }
  const { id, question } = event.data;
  before = before.then(async () => {
    try {
      const reply: Reply = question.ask === "carry"
        ? { carried: await carry(question.job) }
        : { standing: await stands(question) };
      postMessage({ id, reply });
    } catch (error) {
      postMessage({ id, failed: String(error) });
    }
  });
});
