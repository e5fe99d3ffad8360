// What a check may show, how likely each result is, and which repairs would then stand first
// (diagnosis/outcomes.py; single faults, so nothing is shared between two).
import { column, type Lines } from "./arrays";
import type { Hunt } from "./hunt";
import type { Check } from "./observing";
import { key } from "./table";
import { CLAMP_A, CLAMP_SHARE, FALSE_FIND, FALSE_MOVE } from "./weighing";
import { GRADE_SHARE, meterV, spreadV, voltsOf } from "./volts";

/** As diagnosis/outcomes.py. */
const LEAST_CHANCE = 0.02;
const WIDE = 10;
const MOST_OUTCOMES = 5;
const MEANS = 3;
const LEAST_WEIGHT = 1e-4;
const NAMED = 2;
/** As diagnosis/ohms.py. */
const LEADS_OHM = 0.1;

export const LEVELS = ["off", "weak", "on"] as const;

/** What a person would say: a span of numbers, a level of a function, or one of a few words. */
export type Label =
  | { kind: "volts" | "amps" | "ohms"; low: number; high: number }
  | { kind: "level"; function: string; level: number }
  | { kind: "lamp"; level: number }
  | { kind: "walk"; wrong: { function: string; level: number }[]; more: number }
  | { kind: "rest" | "code" | "no-code" | "reacts" | "steady" | "bad" | "clean" };

/** A repair group by its number, -1 for nothing wrong now, with its odds after a result. */
export interface Meaning {
  group: number;
  odds: number;
}
export interface Outcome {
  label: Label;
  low: number | null;
  high: number | null;
  chance: number;
  healthy: boolean;
  means: Meaning[];
}

interface Masses {
  awake: Float64Array;
  asleep: Float64Array;
  total: number;
}

function sum(of: Iterable<number>): number {
  let found = 0;
  for (const one of of) found += one;
  return found;
}

export class Outcomes {
  private readonly now: Masses;
  private readonly rows: number;

  constructor(private readonly hunt: Hunt) {
    const { rows, rowDuty } = hunt.table;
    const { there, mended } = hunt.belief;
    const awake = new Float64Array(rows + 1);
    const asleep = new Float64Array(rows + 1);
    for (let row = 0; row < rows; row++) {
      const sleeps = there[2 * row + 1]!;
      awake[row] = there[2 * row]! + sleeps * rowDuty[row]!;
      asleep[row] = sleeps * (1 - rowDuty[row]!);
    }
    awake[rows]! += mended;
    this.rows = rows;
    this.now = { awake, asleep, total: sum(awake) + sum(asleep) };
  }

  /** The results of a check, most likely first. Throws NotInTable. */
  of(check: Check): Outcome[] {
    return this.unsorted(check).map((one, at) => ({ one, at }))
      .sort((a, b) => b.one.chance - a.one.chance || a.at - b.at).map(({ one }) => one);
  }

  private unsorted(check: Check): Outcome[] {
    const { evidence, table } = this.hunt;
    switch (check.kind) {
      case "volts":
      case "drop": {
        const state = evidence.state(check.state);
        const value = voltsOf(state, check.plus, check.minus);
        const spread = spreadV(state, check.plus, check.minus);
        const sigma = value.map((one) => Math.hypot(meterV(one), spread));
        return this.clusters(value, sigma, (low, high) => ({ kind: "volts", low, high }));
      }
      case "amps": {
        const known = table.amps.get(key(check.state, check.plus))!;
        const sigma = known.value.map((one) => Math.hypot(CLAMP_A + CLAMP_SHARE * one, known.spread));
        return this.clusters(known.value, sigma, (low, high) => ({ kind: "amps", low, high }));
      }
      case "ohms": {
        const known = table.ohms.get(key(check.state, check.plus, check.minus, ...check.unplugged))!;
        const own = column(known.sigma);
        const sigma = own.map((one) => Math.hypot(one, GRADE_SHARE * 0.2));
        const ohm = (scale: number) => Math.max(10 ** scale - LEADS_OHM, 0);
        return this.clusters(column(known.scale), sigma, (low, high) => ({
          kind: "ohms", low: ohm(low), high: ohm(high),
        })).map((one) => ({
          ...one, low: one.low === null ? null : ohm(one.low), high: one.high === null ? null : ohm(one.high),
        }));
      }
      case "lamp": {
        const state = evidence.state(check.state);
        const seen = table.lamps.get(key(check.state, check.plus, check.minus || state.reference))!.anywhere;
        return this.levels(seen, (level) => ({ kind: "lamp", level }), this.likeliest(seen));
      }
      case "watch": {
        const seen = table.apart.get(key(check.state, check.function, ...[...check.unplugged].sort()))!;
        const named = (level: number): Label => ({ kind: "level", function: check.function, level });
        return this.levels(seen, named, this.likeliest(seen));
      }
      case "operate": {
        const expected = table.functions[check.function]?.[check.state];
        const named = (level: number): Label => ({ kind: "level", function: check.function, level });
        const usual = LEVELS.findIndex((one) => one === expected);
        return this.levels(evidence.rowLevels(check.function, check.state), named, usual);
      }
      case "round":
        return this.round(check);
      case "code": {
        const chance = column(evidence.state(check.state).codes.get(key(check.controller, check.code))!.anywhere);
        const sound = chance[this.rows]!;
        const { awake, asleep } = this.now;
        const on = awake.map((one, row) => one * chance[row]! + asleep[row]! * sound);
        const off = awake.map((one, row) => one * (1 - chance[row]!) + asleep[row]! * (1 - sound));
        return [this.made(on, { kind: "code" }, sound > 0.5), this.made(off, { kind: "no-code" }, sound <= 0.5)];
      }
      default:
        return this.seen(check);
    }
  }

  private means(weight: Float64Array): { chance: number; means: Meaning[] } {
    const { table, belief } = this.hunt;
    const total = sum(weight);
    if (total <= 0) return { chance: 0, means: [] };
    const groups = new Float64Array(table.groups.length);
    for (let row = 0; row < this.rows; row++) groups[table.rowGroup[row]!]! += weight[row]!;
    // Something else takes its share of every result in proportion, for it predicts none of them.
    const odds = groups.map((one) => (one / total) * (1 - belief.other));
    const sound = (weight[this.rows]! / total) * (1 - belief.other);
    const named = [...odds.keys()].sort((a, b) => odds[b]! - odds[a]! || a - b).slice(0, MEANS)
      .filter((at) => odds[at]! >= LEAST_CHANCE).map((group) => ({ group, odds: odds[group]! }));
    if (sound >= LEAST_CHANCE) named.push({ group: -1, odds: sound });
    return { chance: total / this.now.total, means: named.sort((a, b) => b.odds - a.odds).slice(0, MEANS) };
  }

  private made(weight: Float64Array, label: Label, healthy: boolean, low?: number, high?: number): Outcome {
    return { label, low: low ?? null, high: high ?? null, healthy, ...this.means(weight) };
  }

  private likeliest(of: Lines): number {
    const from = of.which[this.rows]! * 3;
    const [a = 0, b = 0, c = 0] = of.lines.subarray(from, from + 3);
    return a >= b && a >= c ? 0 : b >= c ? 1 : 2;
  }

  private levels(of: Lines, named: (level: number) => Label, usual: number): Outcome[] {
    const { awake, asleep } = this.now;
    return [0, 1, 2].map((level) => {
      const chance = column(of, level);
      const sound = chance[this.rows]!;
      return this.made(awake.map((one, row) => one * chance[row]! + asleep[row]! * sound), named(level), level === usual);
    }).filter((one) => one.chance >= LEAST_CHANCE);
  }

  private clusters(value: Float64Array, sigma: Float64Array, label: (low: number, high: number) => Label): Outcome[] {
    const { awake, asleep, total } = this.now;
    const sound = this.rows;
    const sleeping = sum(asleep);
    const keep = [...value.keys()].filter((at) => awake[at]! > LEAST_WEIGHT * total || (sleeping > 0 && at === sound));
    keep.sort((a, b) => value[a]! - value[b]! || a - b);
    if (keep.length === 0) return [];
    let rows: number[][] = [[keep[0]!]];
    for (let at = 1; at < keep.length; at++) {
      const [before, here] = [keep[at - 1]!, keep[at]!];
      if (value[here]! - value[before]! > 2 * Math.max(sigma[here]!, sigma[before]!)) rows.push([]);
      rows[rows.length - 1]!.push(here);
    }
    rows = this.joined(cutWide(rows, value, sigma), value, sleeping);
    return rows.map((members) => {
      const mass = new Float64Array(value.length);
      for (const row of members) mass[row] = awake[row]!;
      const shown = members.map((row) => value[row]!);
      const near = Math.min(...shown) - sigma[sound]! <= value[sound]! && value[sound]! <= Math.max(...shown) + sigma[sound]!;
      const healthy = members.includes(sound) || near;
      if (healthy) asleep.forEach((one, row) => (mass[row]! += one));
      const [low, high] = this.span(value, members);
      return this.made(mass, label(low, high), healthy, low, high);
    });
  }

  private span(value: Float64Array, members: number[]): [number, number] {
    const ordered = [...members].sort((a, b) => value[a]! - value[b]!);
    const mass = ordered.map((row) => this.now.awake[row]!);
    const whole = sum(mass);
    const last = ordered.length - 1;
    if (whole <= 0) return [value[ordered[0]!]!, value[ordered[last]!]!];
    let gone = 0;
    const share = mass.map((one) => (gone += one) / whole);
    const at = (wanted: number) => {
      const found = share.findIndex((one) => one >= wanted);
      return found < 0 ? last : found;
    };
    return [value[ordered[at(0.05)]!]!, value[ordered[at(0.95)]!]!];
  }

  private joined(rows: number[][], value: Float64Array, sleeping: number): number[][] {
    const { awake, total } = this.now;
    const mass = (members: number[]) =>
      members.reduce((all, row) => all + awake[row]!, 0) + (members.includes(this.rows) ? sleeping : 0);
    const middle = (members: number[]) => {
      const weights = members.map((row) => Math.max(awake[row]!, 1e-12));
      return members.reduce((all, row, at) => all + value[row]! * weights[at]!, 0) / sum(weights);
    };
    while (rows.length > 1) {
      const masses = rows.map(mass);
      const smallest = masses.indexOf(Math.min(...masses));
      if (masses[smallest]! >= LEAST_CHANCE * total && rows.length <= MOST_OUTCOMES) break;
      const here = middle(rows[smallest]!);
      const near = [smallest - 1, smallest + 1].filter((at) => at >= 0 && at < rows.length)
        .reduce((best, at) => Math.abs(middle(rows[at]!) - here) < Math.abs(middle(rows[best]!) - here) ? at : best);
      const [first, second] = near < smallest ? [near, smallest] : [smallest, near];
      rows.splice(first, 2, [...rows[first]!, ...rows[second]!]);
    }
    return rows;
  }

  private round(check: Check): Outcome[] {
    const { evidence, table } = this.hunt;
    const { awake, asleep, total } = this.now;
    const { carried } = evidence.state(check.state);
    const functions = table.rounds[check.state] ?? [];
    const levels = functions.map((one) => evidence.rowLevels(one, check.state));
    const likeliest = levels.map((of) => Int32Array.from({ length: of.lines.length / 3 }, (_, line) => {
      const [a = 0, b = 0, c = 0] = of.lines.subarray(3 * line, 3 * line + 3);
      return a >= b && a >= c ? 0 : b >= c ? 1 : 2;
    }));
    const kinds = new Map<string, Float64Array>();
    const shown = (line: number) => levels.map((of, at) => likeliest[at]![of.which[line]!]!).join("");
    const sound = shown(carried[this.rows]!);
    for (let row = 0; row <= this.rows; row++) {
      const pattern = shown(carried[row]!);
      const mass = kinds.get(pattern) ?? new Float64Array(this.rows + 1);
      mass[row] = awake[row]!;
      kinds.set(pattern, mass);
    }
    asleep.forEach((one, row) => (kinds.get(sound)![row]! += one));
    const order = [...kinds].map(([pattern, mass]) => ({ pattern, mass, whole: sum(mass) }))
      .sort((a, b) => b.whole - a.whole);
    const common = order.filter((one, place) => place < MOST_OUTCOMES - 1 && one.whole >= LEAST_CHANCE * total);
    const rare = order.slice(common.length);
    const found = common.map((one) => {
      const wrong = functions.map((name, at) => ({ function: name, level: Number(one.pattern[at]) }))
        .filter(({ function: name, level }) => LEVELS[level] !== table.functions[name]?.[check.state]);
      const named = wrong.length <= NAMED + 1 ? wrong : wrong.slice(0, NAMED);
      const label: Label = { kind: "walk", wrong: named, more: wrong.length - named.length };
      return this.made(one.mass, label, one.pattern === sound);
    });
    const rest = new Float64Array(this.rows + 1);
    for (const one of rare) one.mass.forEach((mass, row) => (rest[row]! += mass));
    if (sum(rest) > 0) found.push(this.made(rest, { kind: "rest" }, rare.some((one) => one.pattern === sound)));
    return found;
  }

  private seen(check: Check): Outcome[] {
    const { table } = this.hunt;
    const { awake, asleep } = this.now;
    const move = check.kind === "move";
    const usual = move ? FALSE_MOVE : FALSE_FIND;
    const byFault = new Float64Array(table.faults).fill(usual);
    const sight = table.sights.get(key(check.look || "move", check.place));
    sight?.faults.forEach((fault, at) => {
      const sees = sight.sees[at]!;
      const hidden = sight.hidden[at]!;
      byFault[fault] = move ? sees : (1 - hidden) * sees + hidden * FALSE_FIND;
    });
    const found = new Float64Array(this.rows + 1);
    const missed = new Float64Array(this.rows + 1);
    for (let row = 0; row <= this.rows; row++) {
      const whole = awake[row]! + asleep[row]!;
      let chance = row < this.rows ? byFault[table.rowFault[row]!]! : usual;
      if (move && chance > FALSE_MOVE) {
        chance *= 0.25 + 0.75 * (whole > 0 ? Math.min((2 * asleep[row]!) / whole, 1) : 0);
      }
      found[row] = whole * chance;
      missed[row] = whole * (1 - chance);
    }
    return [
      this.made(found, { kind: move ? "reacts" : "bad" }, false),
      this.made(missed, { kind: move ? "steady" : "clean" }, true),
    ];
  }
}

function median(of: number[]): number {
  const sorted = [...of].sort((a, b) => a - b);
  const half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half]! : (sorted[half - 1]! + sorted[half]!) / 2;
}

function cutWide(rows: number[][], value: Float64Array, sigma: Float64Array): number[][] {
  while (rows.length < 3 * MOST_OUTCOMES) {
    const widths = rows.map((one) =>
      (value[one[one.length - 1]!]! - value[one[0]!]!) / median(one.map((row) => sigma[row]!)));
    const widest = widths.indexOf(Math.max(...widths));
    if (!(widths[widest]! > WIDE)) break;
    const members = rows[widest]!;
    const gaps = members.slice(1).map((row, at) => value[row]! - value[members[at]!]!);
    const cut = gaps.indexOf(Math.max(...gaps)) + 1;
    rows.splice(widest, 1, members.slice(0, cut), members.slice(cut));
  }
  return rows;
}
