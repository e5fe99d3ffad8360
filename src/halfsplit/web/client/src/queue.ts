// What is written down in a job: kept in the browser's own database first, in the order of a running number, and sent
// from there. Each has its id from the beginning, so that it counts once however often it is sent.
import { type DBSchema, type IDBPDatabase, openDB } from "idb";
import { get, jobPath, type Kept, name, NoAnswerError, outOfReach, RefusedError, send, sendFile, type Working } from "./server";

export interface Queued {
  number?: number;
  job: string;
  path: string;
  content: object;
  sending: string;
  when: string;
  /** Who wrote it: whoever signs in later on the same phone does not send it as their own. */
  by?: string;
  /** What it says, for the person who looks at what waits. */
  words: string;
  /** A photo or voice note; the content is its caption then. */
  file?: File;
  /** What the server said when it did not take it; the person decides what becomes of it. */
  refused?: string;
}

interface Schema extends DBSchema {
  writings: { key: number; value: Queued };
}

/** Statuses that say nothing of the entry itself: sign in again, wait, another came first. */
const LATER = [401, 403, 408, 409, 425, 429];
/** An entry that reaches the server sooner than so many seconds after it was made was not late. */
const LATE_S = 2;
/** So often another may come first before it is left for later. */
const MOST_TRIES = 3;

let database: Promise<IDBPDatabase<Schema>> | null = null;

function opened(): Promise<IDBPDatabase<Schema>> {
  database ??= openDB<Schema>("halfsplit", 1, {
    upgrade: (made) => {
      made.createObjectStore("writings", { keyPath: "number", autoIncrement: true });
    },
    // A newer version of the app, in another page, must not wait for this one.
    blocking: () => {
      void database?.then((open) => open.close());
      database = null;
    },
  });
  return database;
}

/** Keeps one to be sent. It is on the disk when the answer is there. */
export async function keep(one: Queued): Promise<void> {
  const transaction = (await opened()).transaction("writings", "readwrite", { durability: "strict" });
  await transaction.store.add({ ...one, by: name() });
  await transaction.done;
  // Asks the browser not to clear it when space is short; what it answers changes nothing.
  void navigator.storage?.persist?.().catch(() => false);
}

/** What waits for the server in a job, in order. */
export async function waiting(job: string): Promise<Queued[]> {
  const all = await (await opened()).getAll("writings");
  return all.filter((one) => one.job === job);
}

/** Whether any of these is still to be sent: what was refused waits for the person alone. */
export function anyToSend(all: Queued[]): boolean {
  return all.some((one) => !one.refused);
}

export async function drop(one: Queued): Promise<void> {
  if (one.number !== undefined) await (await opened()).delete("writings", one.number);
}

/** What was sent: where the job stands after it, what was written down in words, or that the server had it before. */
export interface Sent {
  stands: Working;
  words: string[];
  repeated: boolean;
}

/**
 * Sends what waits in a job, one after the other, until the server does not answer or nothing is left, and asks then
 * where the job stands. Null when nothing but files was sent. `written` hears of each that the server has, before the
 * next step is worked out. Two pages of one phone never send at the same time. Throws NoAnswerError; RefusedError where
 * the entry is not the reason, and when `fresh` was refused, which is then not kept: whoever wrote it is there to see
 * it.
 */
export async function flush(
  job: string,
  fresh: string,
  signal: AbortSignal,
  written: (words: string[], repeated: boolean) => void,
): Promise<Sent | null> {
  let stands: Working | null = null;
  let latest: { words: string[]; repeated: boolean } | null = null;
  // Findings that the server has, and whose next step did not come yet. They stay here until it comes, or the odds of
  // this phone would be without them when the server goes out of reach now.
  const had: Queued[] = [];
  await navigator.locks.request(`halfsplit ${job}`, async () => {
    for (const one of await waiting(job)) {
      if (one.refused) continue;
      try {
        const answer = await sent(one, signal);
        if (answer) {
          stands = "next" in answer ? answer : null;
          latest = { words: answer.recorded, repeated: answer.repeated };
          written(latest.words, latest.repeated);
          if (!("next" in answer)) {
            had.push(one);
            continue;
          }
        }
      } catch (error) {
        if (!(error instanceof RefusedError) || LATER.includes(error.status)) throw error;
        if (one.sending === fresh) {
          await drop(one);
          throw error;
        }
        await (await opened()).put("writings", { ...one, refused: error.failure.what });
        continue;
      }
      await drop(one);
    }
    if (!latest) return;
    try {
      stands ??= await get<Working>(jobPath(job, "next"), signal);
    } catch (error) {
      if (!(error instanceof NoAnswerError)) for (const one of had) await drop(one);
      throw error;
    }
    if (outOfReach()) throw new NoAnswerError("the answer was kept from before");
    for (const one of had) await drop(one);
  });
  return stands && latest && { stands, ...(latest as { words: string[]; repeated: boolean }) };
}

async function sent(one: Queued, signal: AbortSignal): Promise<Working | Kept | null> {
  const age = (Date.now() - Date.parse(one.when)) / 1000;
  const late = age > LATE_S ? { late_s: Math.min(Math.round(age * 1000) / 1000, 90 * 86400) } : {};
  const by = one.by ?? name();
  for (let tries = 1; ; tries++) {
    try {
      // A finding is acknowledged before the next step is worked out.
      const path = jobPath(one.job, one.path === "findings" ? "written" : one.path);
      if (!one.file) return await send<Working | Kept>(path, { ...one.content, ...late, by }, one.sending, signal);
      const { caption = "" } = one.content as { caption?: string };
      await sendFile(jobPath(one.job, one.path), one.file, caption, one.sending, signal, by);
      return null;
    } catch (error) {
      if (!(error instanceof RefusedError) || error.status !== 409 || tries === MOST_TRIES) throw error;
    }
  }
}

/** Whether a failure leaves an entry waiting: the server did not answer, or the entry was not the reason. */
export function waits(error: unknown): boolean {
  return error instanceof NoAnswerError || (error instanceof RefusedError && LATER.includes(error.status));
}
