// What was written down while the server was out of reach: kept in the browser's own database, in the order of a
// running number, and sent when the server is back. Each has its id from the beginning, so that it counts once however
// often it is sent.
import { type DBSchema, type IDBPDatabase, openDB } from "idb";
import { jobPath, RefusedError, send, type Working } from "./server";

export interface Queued {
  number?: number;
  job: string;
  path: string;
  content: object;
  sending: string;
  when: string;
  /** What the server said when it did not take it; the person decides what becomes of it. */
  refused?: string;
}

interface Schema extends DBSchema {
  writings: { key: number; value: Queued };
}

let database: Promise<IDBPDatabase<Schema>> | null = null;

function opened(): Promise<IDBPDatabase<Schema>> {
  database ??= openDB<Schema>("halfsplit", 1, {
    upgrade: (made) => {
      made.createObjectStore("writings", { keyPath: "number", autoIncrement: true });
    },
  });
  return database;
}

/** Keeps one to be sent. It is on the disk when the answer is there. */
export async function keep(one: Queued): Promise<void> {
  const transaction = (await opened()).transaction("writings", "readwrite", { durability: "strict" });
  await transaction.store.add(one);
  await transaction.done;
}

/** What waits for the server in a job, in order. */
export async function waiting(job: string): Promise<Queued[]> {
  const all = await (await opened()).getAll("writings");
  return all.filter((one) => one.job === job);
}

export async function drop(one: Queued): Promise<void> {
  if (one.number !== undefined) await (await opened()).delete("writings", one.number);
}

/**
 * Sends what waits in a job, one after the other, until the server does not answer or nothing is left. Gives where the
 * job stands after the last, or null when nothing was sent. Two pages of one phone never send at the same time. Throws
 * NoAnswerError, and RefusedError when `fresh` was refused, which is then not kept: whoever wrote it is there to see it.
 */
export async function flush(job: string, fresh: string, signal: AbortSignal): Promise<Working | null> {
  let stands: Working | null = null;
  await navigator.locks.request(`halfsplit ${job}`, async () => {
    for (const one of await waiting(job)) {
      if (one.refused) continue;
      try {
        stands = await send<Working>(jobPath(job, one.path), one.content, one.sending, signal);
      } catch (error) {
        if (!(error instanceof RefusedError)) throw error;
        if (one.sending === fresh) {
          await drop(one);
          throw error;
        }
        await (await opened()).put("writings", { ...one, refused: error.failure.what });
        continue;
      }
      await drop(one);
    }
  });
  return stands;
}
