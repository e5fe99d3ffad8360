// The words of a job's table (service/phone_words.py).
import type { Asked, Step } from "../server";

export interface Told {
  step: Step;
  asked: Asked;
}
export interface Said {
  /** `words` are what an answer is written down as, `shown` how they read. */
  functions: Record<string, { name: string; words: string[]; shown: string[]; minutes: number }>;
  connectors: string[];
  zones: Record<string, string>;
  access: Record<string, { name: string; open_min: number; close_min: number; line: string }>;
  checks: Record<string, Told>;
  repairs: Record<string, Told & { text: string }>;
}
