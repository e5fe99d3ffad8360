// Keeps the app's own files, and what a job last looked like, for when the server is out of reach. What the server
// answers always comes first; nothing that writes passes through here.
const SHELL = "halfsplit-shell";
const SEEN = "halfsplit-seen";
/** Answers that are shown again while the server is out of reach. */
const ANSWERS = /^\/api\/(jobs|machines)(\/[^/]+(\/(next|suspects|where|log|correction))?)?$/;
/** By this header a page tells one question from another, as in src/server.ts. */
const ASKED = "x-halfsplit-asked";
/** So many answers are kept, the latest. */
const MOST = 120;

self.addEventListener("install", (event) => {
  event.waitUntil(keepShell().then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(self.clients.claim());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== location.origin) return;
  if (request.mode === "navigate" && address.pathname === "/") event.respondWith(page(request));
  else if (address.pathname.startsWith("/files/")) event.respondWith(file(request));
  else if (ANSWERS.test(address.pathname)) event.respondWith(answer(request, event.clientId));
});

/** What is being asked of the server for a page, by page and the question's own name. */
const asking = new Map();

// A browser does not hand on that a page stopped waiting, so the page says it: the server then leaves the work.
self.addEventListener("message", (event) => {
  const { stop } = event.data;
  asking.get(`${event.source.id} ${stop}`)?.abort();
});

async function keepShell() {
  const found = await fetch("/", { cache: "no-store" });
  if (found.ok) await keepPage(found);
}

/** Keeps the page and the files it names; what an earlier build had goes when the page is another one. */
async function keepPage(found) {
  const shell = await caches.open(SHELL);
  const text = await found.clone().text();
  if (text === await (await shell.match("/"))?.text()) return;
  const files = [...text.matchAll(/(?:src|href)="(\/files\/[^"]+)"/g)].map(([, name]) => name);
  await shell.addAll(files);
  await shell.put("/", found);
  for (const kept of await shell.keys()) {
    const { pathname } = new URL(kept.url);
    if (pathname !== "/" && !files.includes(pathname)) await shell.delete(kept);
  }
}

async function page(request) {
  try {
    const found = await fetch(request);
    if (found.ok) await keepPage(found.clone());
    return found;
  } catch {
    return (await caches.match("/")) ?? Response.error();
  }
}

/** Files are named by their content, so one that is kept never changes. */
async function file(request) {
  return (await caches.match(request)) ?? fetch(request);
}

async function answer(request, client) {
  const seen = await caches.open(SEEN);
  try {
    const found = await fetched(request, client);
    if (found.ok) {
      await seen.put(request, found.clone());
      const kept = await seen.keys();
      for (const old of kept.slice(0, Math.max(0, kept.length - MOST))) await seen.delete(old);
    }
    return found;
  } catch (error) {
    const kept = error.name !== "AbortError" && await seen.match(request);
    if (!kept) return Response.error();
    const headers = new Headers(kept.headers);
    headers.set("x-halfsplit-kept", kept.headers.get("date") ?? "");
    return new Response(await kept.blob(), { status: kept.status, headers });
  }
}

/** Asks the server, until the page says that it stopped waiting. */
async function fetched(request, client) {
  const control = new AbortController();
  const key = `${client} ${request.headers.get(ASKED)}`;
  asking.set(key, control);
  try {
    return await fetch(request, { signal: control.signal });
  } finally {
    asking.delete(key);
  }
}
