// Talks to the server. What writes carries an id made here, kept when it is sent again, so it counts once.
import type { components } from "./api.gen";

type Schemas = components["schemas"];
export type Working = Schemas["Working"];
export type Kept = Schemas["Kept"];
export type NextStep = Schemas["NextStep"];
export type Step = Schemas["Step"];
export type Asked = Schemas["Asked"];
export type Choice = Schemas["Choice"];
export type Face = Schemas["Face"];
export type Lead = Schemas["Lead"];
export type OutcomeLine = Schemas["OutcomeLine"];
export type JobCards = Schemas["JobCards"];
export type MachineLines = Schemas["MachineLines"];
export type ComplaintForm = Schemas["ComplaintForm"];
export type FunctionLine = Schemas["FunctionLine"];
export type Suspects = Schemas["Suspects"];
export type Suspect = Schemas["Suspect"];
export type WhyLines = Schemas["WhyLines"];
export type TestimonyLine = Schemas["TestimonyLine"];
export type ZoneMap = Schemas["ZoneMap"];
export type ZoneSpot = Schemas["ZoneSpot"];
export type ZoneLink = Schemas["ZoneLink"];
export type CircuitPath = Schemas["CircuitPath"];
export type PathPoint = Schemas["PathPoint"];
export type CorrectionSheet = Schemas["CorrectionSheet"];
export type Proof = Schemas["Proof"];
export type Papers = Schemas["Papers"];
export type AttachmentLine = Schemas["AttachmentLine"];
/** What others wrote into a job; the stream is no JSON answer, so its shape is written here (service/results.py). */
export interface News {
  number: number;
  lines: { number: number; when: string; by: string; words: string; sending: string }[];
}
export type Log = Schemas["Log"];
export type UnitSeen = Schemas["UnitSeen"];
export type LogLine = Schemas["LogLine"];
export type Failure = Schemas["Failure"];

/** The server refused: the person, or the state of the job, is the reason. */
export class RefusedError extends Error {
  constructor(readonly failure: Failure, readonly status: number) {
    super(failure.what);
  }
}

/** No answer came, or none that could be read; whether it was written down is not known. */
export class NoAnswerError extends Error {}

/** What this page sent itself, so that it is not told to it as news. */
const own = new Set<string>();

export function newSending(): string {
  const made = crypto.randomUUID();
  own.add(made);
  return made;
}

/** Hears of everything that others write into a job, until the answer is called. */
export function listen(job: string, heard: (lines: News["lines"]) => void): () => void {
  const stream = new EventSource(jobPath(job, "news"));
  stream.onmessage = (message) => {
    const lines = (JSON.parse(message.data) as News).lines.filter((one) => !own.has(one.sending));
    if (lines.length > 0) heard(lines);
  };
  return () => stream.close();
}

/** Milliseconds that a look whether the server is back takes at most. */
const LOOK_MOST = 5000;

/** Whether the server was out of reach when it was asked last, and who wants to know. */
let away = false;
const watchers = new Set<(away: boolean) => void>();

/** Hears whether the server is out of reach, now and at each change, until the answer is called. */
export function watchReach(heard: (away: boolean) => void): () => void {
  watchers.add(heard);
  heard(away);
  return () => watchers.delete(heard);
}

export function outOfReach(): boolean {
  return away;
}

/** Asks whether the server is there again; what was kept from before does not answer this. */
export async function lookAgain(): Promise<void> {
  await ask("/api/about", { signal: AbortSignal.timeout(LOOK_MOST) }).catch(() => undefined);
}

function reach(isAway: boolean): void {
  if (away === isAway) return;
  away = isAway;
  for (const heard of watchers) heard(away);
}

const signedOut = new Set<() => void>();

/** Hears that the server wants somebody to sign in, until the answer is called. */
export function watchSignedOut(heard: () => void): () => void {
  signedOut.add(heard);
  return () => signedOut.delete(heard);
}

async function ask<T>(path: string, init: RequestInit): Promise<T> {
  const response = await asked(path, init);
  if (!response.ok) throw await failed(response);
  return await contentOf(response) as T;
}

/** By this header a question is told from another one, as in public/worker.js, and how many there were. */
const ASKED = "x-halfsplit-asked";
let asks = 0;

async function asked(path: string, init: RequestInit): Promise<Response> {
  let response: Response;
  // What is stopped is this question and no other of the same address.
  const mine = String(asks += 1);
  const headers = { ...init.headers, [ASKED]: mine };
  const stop = () => (navigator.serviceWorker as ServiceWorkerContainer | undefined)?.controller?.postMessage({ stop: mine });
  init.signal?.addEventListener("abort", stop);
  try {
    response = await fetch(path, { ...init, headers, cache: "no-store", credentials: "same-origin" });
  } catch (error) {
    if (error instanceof DOMException && ["AbortError", "TimeoutError"].includes(error.name)) throw error;
    reach(true);
    throw new NoAnswerError(String(error));
  } finally {
    init.signal?.removeEventListener("abort", stop);
  }
  // An answer that was kept from before says that the server did not give one now (public/worker.js).
  reach(response.headers.has("x-halfsplit-kept"));
  return response;
}

async function contentOf(response: Response): Promise<unknown> {
  try {
    return await response.json();
  } catch (error) {
    throw new NoAnswerError(String(error));
  }
}

/** Why an answer is none. */
async function failed(response: Response): Promise<Error> {
  const failure = (await contentOf(response) as { error?: Failure }).error;
  if (response.status === 401) for (const heard of signedOut) heard();
  // Whoever signs in again, or waits a little, sends the same once more; nothing was wrong with it.
  if (!failure || [401, 429].includes(response.status) || response.status >= 502) {
    return new NoAnswerError(`status ${response.status}`);
  }
  return new RefusedError(failure, response.status);
}

export function get<T>(path: string, signal: AbortSignal): Promise<T> {
  return ask<T>(path, { signal });
}

/** Sends what is not written into a job. */
export function post<T>(path: string, content: object, signal: AbortSignal): Promise<T> {
  const headers = { "content-type": "application/json" };
  return ask<T>(path, { method: "POST", headers, body: JSON.stringify(content), signal });
}

/** Sends what is to be written down; a send that got no answer is tried once more by itself, with the same id. */
export async function send<T>(path: string, content: object, sending: string, signal: AbortSignal): Promise<T> {
  const init: RequestInit = {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ by: name(), ...content, sending }),
    signal,
  };
  try {
    return await ask<T>(path, init);
  } catch (error) {
    if (!(error instanceof NoAnswerError)) throw error;
    return ask<T>(path, init);
  }
}

/** A document, and the signs in it for which the server has no font (web/addresses.py). */
export interface Fetched {
  file: File;
  unprinted: string;
}

/** Fetches a document to keep on the phone; a failure is that of every other question. */
export async function fetchFile(path: string, signal: AbortSignal): Promise<Fetched> {
  const response = await asked(path, { signal });
  if (!response.ok) throw await failed(response);
  const named = /filename="([^"]+)"/.exec(response.headers.get("content-disposition") ?? "");
  const type = response.headers.get("content-type") ?? "";
  return {
    file: new File([await response.blob()], named?.[1] ?? "file", { type }),
    unprinted: decodeURIComponent(response.headers.get("halfsplit-unprinted") ?? ""),
  };
}

/** Sends a file's content as it is. */
export async function sendFile<T>(
  path: string,
  file: File,
  caption: string,
  sending: string,
  signal: AbortSignal,
  by = name(),
): Promise<T> {
  const about = new URLSearchParams({ sending, name: file.name || "file", caption, by });
  const init: RequestInit = {
    method: "POST",
    headers: { "content-type": "application/octet-stream" },
    body: file,
    signal,
  };
  return ask<T>(`${path}?${about}`, init);
}

const NAME = "halfsplit.name";

export function name(): string {
  return localStorage.getItem(NAME) ?? "";
}

export function keepName(given: string): void {
  localStorage.setItem(NAME, given);
}

export function jobPath(job: string, rest: string): string {
  return `/api/jobs/${encodeURIComponent(job)}/${rest}`;
}

/** Address of a part of a job within the app. */
export function partPath(job: string, ...parts: string[]): string {
  return `#/${["job", job, ...parts].map(encodeURIComponent).join("/")}`;
}
