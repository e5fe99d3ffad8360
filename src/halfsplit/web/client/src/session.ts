// Who is signed in. Where the server serves its own computer alone nobody needs to be.
import { get, keepName, NoAnswerError, post, watchSignedOut } from "./server";

export interface Session {
  needed: boolean;
  name: string;
  role: "technician" | "lead" | "read-only" | "";
}

const KEPT = "halfsplit.session";
const NOBODY: Session = { needed: true, name: "", role: "" };

let now: Session | null = null;
const watchers = new Set<(now: Session) => void>();

function take(found: Session): void {
  now = found;
  localStorage.setItem(KEPT, JSON.stringify(found));
  if (found.name) keepName(found.name);
  document.documentElement.classList.toggle("reads", found.role === "read-only");
  for (const heard of watchers) heard(found);
}

/** Hears who is signed in, now and at each change, until the answer is called. */
export function watchSession(heard: (now: Session) => void): () => void {
  watchers.add(heard);
  if (now) heard(now);
  return () => watchers.delete(heard);
}

/** Who is signed in; asked for when the app begins. */
export function session(): Session | null {
  return now;
}

/** Asks the server; out of its reach whoever was signed in last goes on. */
export async function findSession(signal: AbortSignal): Promise<void> {
  try {
    take(await get<Session>("/api/session", signal));
  } catch (error) {
    if (!(error instanceof NoAnswerError)) throw error;
    const kept = localStorage.getItem(KEPT);
    take(kept ? (JSON.parse(kept) as Session) : { ...NOBODY, needed: false });
  }
}

export async function signIn(name: string, password: string, signal: AbortSignal): Promise<void> {
  take(await post<Session>("/api/session", { name, password }, signal));
}

export async function signOut(signal: AbortSignal): Promise<void> {
  take(await post<Session>("/api/session/end", {}, signal));
  // What was seen here is not for whoever takes the phone next; what waits to be sent stays.
  if (!("caches" in window)) return;
  for (const one of ["halfsplit-seen", "halfsplit-carried"]) await caches.delete(one);
}

watchSignedOut(() => {
  if (now?.name !== "") take(NOBODY);
});
