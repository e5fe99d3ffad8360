// Which language the app speaks: the one chosen on this phone, else the browser's, else English. English comes with the
// app; another one is fetched when it is chosen, and kept for when the server is out of reach.
import { en, type Texts } from "./en";
import { speakWith, spoken } from "./say";

/** Each language in its own words. */
export const LANGUAGES = { en: "English", es: "Español" } as const;
export type Language = keyof typeof LANGUAGES;

const KEPT = "halfsplit.language";
/** As web/languages.py: what the server says comes in the same language. */
const COOKIE = "halfsplit-language";
const YEAR_S = 365 * 24 * 3600;
/** As public/worker.js. */
const SHELL = "halfsplit-shell";

/** A catalogue, and the address of its file. */
type Catalogue = { texts: Texts; address: string };

const others: Record<Exclude<Language, "en">, () => Promise<Catalogue>> = {
  es: () => import("./es").then((found) => ({ texts: found.es, address: found.address })),
};

const watchers = new Set<() => void>();

/** Hears that another language is spoken from now on, until the answer is called. */
export function watchLanguage(heard: () => void): () => void {
  watchers.add(heard);
  return () => watchers.delete(heard);
}

function known(name: string): name is Language {
  return name in LANGUAGES;
}

function wanted(): Language {
  const names = [localStorage.getItem(KEPT) ?? "", ...navigator.languages.map((one) => one.slice(0, 2))];
  return names.find(known) ?? "en";
}

/** Speaks the language of this phone, or English when its words cannot be had just now. */
export async function chooseLanguage(): Promise<void> {
  const language = wanted();
  try {
    const found = language === "en" ? { texts: en, address: "" } : await others[language]();
    speakWith(found.texts, language);
    if (found.address) void keep(found.address);
  } catch {
    speakWith(en, "en");
  }
  document.documentElement.lang = spoken().language;
  document.cookie = `${COOKIE}=${spoken().language}; path=/; max-age=${YEAR_S}; samesite=strict`;
}

/** Speaks another language from now on; it is kept on the phone. */
export async function speak(language: Language): Promise<void> {
  localStorage.setItem(KEPT, language);
  await chooseLanguage();
  for (const heard of watchers) heard();
}

/** Keeps a catalogue beside the app's own files, once the service worker has put those in their place. */
async function keep(address: string): Promise<void> {
  if (!("serviceWorker" in navigator) || !("caches" in globalThis)) return;
  await navigator.serviceWorker.ready;
  const shell = await caches.open(SHELL);
  if (!(await shell.match(address))) await shell.add(address);
}
