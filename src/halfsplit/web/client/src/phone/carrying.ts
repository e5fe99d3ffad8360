// Asks the thread that carries jobs (worker.ts). Only where the browser keeps things for a page: a secure context.
import type { Queued } from "../queue";
import type { Working } from "../server";
import { watchLanguage } from "../texts/language";
import { spoken } from "../texts/say";
import type { Standing } from "./standing";
import type { Question, Reply } from "./worker";
import address from "./worker.ts?worker&url";

/** As public/worker.js: the app's own files, for when the server is out of reach. */
const SHELL = "halfsplit-shell";

let thread: Worker | null = null;
let asked = 0;
const open = new Map<number, { done: (reply: Reply) => void; failed: (error: Error) => void }>();

export function canCarry(): boolean {
  return "caches" in globalThis && "serviceWorker" in navigator;
}

/** In which words the thread speaks; again when that changes. */
function tell(to: Worker): void {
  to.postMessage(spoken());
}

watchLanguage(() => thread && tell(thread));

function ask(question: Question): Promise<Reply> {
  if (!thread) {
    thread = new Worker(address, { type: "module" });
    thread.onmessage = (event: MessageEvent<{ id: number; reply?: Reply; failed?: string }>) => {
      const waits = open.get(event.data.id);
      open.delete(event.data.id);
      if (event.data.reply) waits?.done(event.data.reply);
      else waits?.failed(new Error(event.data.failed));
    };
    tell(thread);
    thread.onerror = () => {
      for (const waits of open.values()) waits.failed(new Error("the thread that carries jobs ended"));
      open.clear();
      thread = null;
    };
  }
  const id = ++asked;
  return new Promise((done, failed) => {
    open.set(id, { done, failed });
    thread?.postMessage({ id, question });
  });
}

/** Fetches what is needed to go on with a job without the server; so many entries of the job are in it then. */
export async function carry(job: string): Promise<number> {
  const shell = await caches.open(SHELL);
  if (!(await shell.match(address))) await shell.add(address);
  const reply = await ask({ ask: "carry", job });
  return "carried" in reply ? reply.carried : 0;
}

/** How a job stands by what the phone carries and what waits; null when it carries nothing that can say so. */
export async function stands(job: string, base: Working, queued: Queued[], other: number): Promise<Standing | null> {
  if (!canCarry()) return null;
  try {
    const reply = await ask({ ask: "stands", job, base, queued, other });
    return "standing" in reply ? reply.standing : null;
  } catch {
    return null;
  }
}
