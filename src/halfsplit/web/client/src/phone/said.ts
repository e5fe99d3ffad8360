// The words of a job's table (service/phone_words.py).
import type { Asked, Step } from "../server";

export interface Told {
  step: Step;
  asked: Asked;
}
export interface Said {
  functions: Record<string, { name: string; words: string[]; minutes: number }>;
  connectors: string[];
  zones: Record<string, string>;
  access: Record<string, { name: string; open_min: number; close_min: number; line: string }>;
  checks: Record<string, Told>;
  repairs: Record<string, Told & { text: string }>;
}
