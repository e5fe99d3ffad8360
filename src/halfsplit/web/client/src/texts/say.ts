// The words of the chosen catalogue (language.ts chooses), with what stands in braces filled in.
import { en, type Texts } from "./en";

let chosen: Texts = en;
let tag = "en";

export function speakWith(texts: Texts, language: string): void {
  chosen = texts;
  tag = language;
}

/** The language spoken now, as in `<html lang>`: for dates and for threads of their own. */
export function spoken(): { texts: Texts; language: string } {
  return { texts: chosen, language: tag };
}

export type Key = keyof Texts;

export function say(key: Key, values: Record<string, string | number> = {}): string {
  return chosen[key].replace(/\{(\w+)\}/g, (_, name: string) => String(values[name] ?? ""));
}

/** The words for a condition, or the condition itself when the catalogue has none. */
export function sayCondition(word: string): string {
  return word in chosen ? chosen[word as Key] : word;
}

export function percent(share: number): string {
  if (share > 0 && share < 0.01) return say("underPercent");
  if (share < 1 && share > 0.99) return say("overPercent");
  return say("percent", { n: Math.round(100 * share) });
}

/** The same where there is room for a few letters only. */
export function shortPercent(share: number): string {
  if (share > 0 && share < 0.01) return say("shortUnderPercent");
  if (share < 1 && share > 0.99) return say("shortOverPercent");
  return say("percent", { n: Math.round(100 * share) });
}

export function minutes(spent: number): string {
  if (spent > 0 && spent < 1) return say("underMinute");
  return say("minutes", { n: Math.round(spent) });
}

const HOUR = { hour: "numeric", minute: "2-digit" } as const;
const DAY = { day: "numeric", month: "short", year: "numeric" } as const;

/** The language spoken, with the country of this phone: for days and hours as they are written there. */
function locale(): string {
  return navigator.languages.find((one) => one.slice(0, 2) === tag) ?? tag;
}

/** The time of day; with the day where that is not today. */
export function clock(when: string): string {
  const then = new Date(when);
  const today = then.toDateString() === new Date().toDateString();
  return then.toLocaleString(locale(), today ? HOUR : { ...DAY, ...HOUR });
}

export function dayAndClock(when: string): string {
  return new Date(when).toLocaleString(locale(), { ...DAY, ...HOUR });
}

/** A day that came without an hour, like 2031-04-02. */
export function day(date: string): string {
  return new Date(`${date}T12:00`).toLocaleDateString(locale(), DAY);
}

/** A check in few words, without the short name of how the machine is set, which says little to a person. */
export function withoutState(short: string): string {
  return short.replace(/ (in|en) [a-z0-9-]+(?=$|,)/, "");
}

/** The words for one of the levels of a machine file: none, low, medium, high. */
export function sayLevel(word: string): string {
  return word in chosen ? chosen[word as Key] : word;
}

export function volts(value: number): string {
  const shown = value.toFixed(Math.abs(value) < 10 ? 2 : 1);
  return `${Number(shown) === 0 ? shown.replace("-", "") : shown} V`;
}
