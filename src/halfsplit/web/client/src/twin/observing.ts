// What a person saw, measured or did, and what of it is kept between two pieces of work (observations.py,
// diagnosis/evidence.py and diagnosis/repeats.py say why).

export type Showing = "yes" | "no" | "unknown";

export interface Symptom {
  kind: "symptom";
  function: string;
  state: string;
  level: "off" | "weak" | "on" | "comes-and-goes";
  reliability: number;
  showing: Showing;
  unplugged?: string[];
}
export interface Reading {
  kind: "reading";
  quantity: "volts" | "lamp" | "ohms" | "amps";
  plus: string;
  minus: string;
  state: string;
  value: number;
  unplugged: string[];
  showing: Showing;
  /** How often it was taken with the leads put on anew; once where left out. */
  times?: number;
}
export interface Look {
  kind: "look";
  look: "closed" | "thorough" | "by-eye" | "along";
  place: string;
  found: boolean;
  what: string;
  showing: Showing;
}
export interface Move {
  kind: "move";
  place: string;
  function: string;
  state: string;
  changed: boolean;
  showing: Showing;
}
export interface CodeSeen {
  kind: "code";
  controller: string;
  code: string;
  state: string;
  active: boolean;
  showing: Showing;
}
export interface Action {
  kind: "action";
  action: string;
  place: string;
  note: string;
}
export interface OutOfReach {
  kind: "out-of-reach";
  check: string;
  reason: string;
}
export type Electrical = Symptom | Reading | CodeSeen;
export type Observation = Electrical | Look | Move | Action | OutOfReach;

export interface Check {
  id: string;
  kind: string;
  place: string;
  zone: string;
  steps: string[];
  minutes: number;
  state: string;
  function: string;
  plus: string;
  minus: string;
  look: string;
  controller: string;
  code: string;
  unplugged: string[];
}
export interface Found {
  observation: Observation;
  check: Check | null;
}

/** As observations.RELIABILITY_TECHNICIAN: what is less was told by somebody else. */
export const RELIABILITY_TECHNICIAN = 0.99;
/** As repeats.AGREE_V and AGREE_SHARE. */
const AGREE_V = 0.15;
const AGREE_SHARE = 0.05;

export function reported(one: Symptom): boolean {
  return one.reliability < RELIABILITY_TECHNICIAN;
}

export function apart(one: Electrical): boolean {
  return one.kind !== "code" && (one.unplugged?.length ?? 0) > 0;
}

function inBlock(one: Reading): boolean {
  return one.quantity === "volts" && one.unplugged.length === 0;
}

/** The name under which readings of one point belong together: all but the value. */
export function pointOf(one: Reading): string {
  return JSON.stringify([one.quantity, one.plus, one.minus, one.state, one.unplugged, one.showing]);
}

/** The values of one point that agree, none where each says something else. */
export function agreeing(one: Reading, values: number[]): number[] {
  if (one.quantity !== "volts" || values.length === 1) return values;
  const near = values.map((middle) =>
    values.filter((value) => Math.abs(value - middle) <= AGREE_V + AGREE_SHARE * Math.abs(middle)));
  const most = Math.max(...near.map((camp) => camp.length));
  const camps = near.filter((camp) => camp.length === most).map((camp) => [...camp].sort((a, b) => a - b));
  const lows = camps.map((camp) => camp[0]!);
  const highs = camps.map((camp) => camp[camp.length - 1]!);
  if (most === 1 || Math.max(...lows) > Math.min(...highs)) return [];
  return camps.reduce((best, camp) => (before(best, camp) ? camp : best));
}

/** Whether one list of numbers comes before another, number by number. */
function before(one: number[], other: number[]): boolean {
  for (let at = 0; at < Math.min(one.length, other.length); at++) {
    if (one[at] !== other[at]) return one[at]! < other[at]!;
  }
  return one.length < other.length;
}

function mean(values: number[]): number {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

function together(one: Reading, values: number[]): number {
  if (one.quantity !== "lamp") return mean(values);
  const counts = new Map<number, number>();
  for (const value of values) counts.set(value, (counts.get(value) ?? 0) + 1);
  return [...counts].sort(([a, many], [b, more]) => more - many || a - b)[0]![0];
}

/** Observations between two pieces of work, and the work that ended it. */
export class Epoch {
  electrical: (Symptom | CodeSeen)[] = [];
  apart: Symptom[] = [];
  repeats = new Map<string, { reading: Reading; values: number[] }>();
  looks: Look[] = [];
  moves: Move[] = [];
  endedBy: Action | null = null;

  /** Every point read, once, with what its values come to. */
  readings(): Reading[] {
    const found: Reading[] = [];
    for (const { reading, values } of this.repeats.values()) {
      const alike = agreeing(reading, values);
      if (alike.length === 0) continue;
      if (reading.quantity === "volts" && alike.length > 1) {
        found.push({ ...reading, value: mean(alike), times: alike.length });
      } else {
        found.push({ ...reading, value: together(reading, alike) });
      }
    }
    return found;
  }

  /** The voltage readings with everything plugged, which are weighed together. */
  volts(): Reading[] {
    return this.readings().filter(inBlock);
  }

  /** What is weighed one by one. */
  observed(): Electrical[] {
    return [...this.electrical, ...this.apart, ...this.readings().filter((one) => !inBlock(one))];
  }

  /** The same, with what was seen on one walk round together. */
  moments(): Electrical[][] {
    const walks = new Map<string, Electrical[]>();
    const alone: Electrical[][] = [];
    const times = new Map<string, number>();
    for (const one of this.observed()) {
      if (one.kind === "symptom" && one.showing === "unknown" && !apart(one)) {
        const name = JSON.stringify([one.function, one.state, reported(one)]);
        const walk = times.get(name) ?? 0;
        times.set(name, walk + 1);
        const where = JSON.stringify([one.state, walk, reported(one)]);
        const seen = walks.get(where);
        if (seen) seen.push(one);
        else walks.set(where, [one]);
      } else {
        alone.push([one]);
      }
    }
    return [...walks.values(), ...alone];
  }
}
