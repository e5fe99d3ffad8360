// What each check would tell: masses of its outcomes in each repair group, and the information in them
// (diagnosis/information.py, diagnosis/telling.py).
import { column, type Lines } from "./arrays";
import { asleepByGroup, type Live } from "./living";
import type { Check } from "./observing";
import { key, type State } from "./table";
import { CLAMP_A, CLAMP_SHARE, type Evidence, FALSE_FIND, FALSE_MOVE } from "./weighing";
import { meterV, pair, spreadV } from "./volts";

/** As diagnosis/information.py and diagnosis/telling.py. */
const MISREAD = 0.03;
const LEAST_SEEN = 1e-6;
const CLASS_STEP = 3.0;
const CLASS_SIDE = 7;
const CLASSES = 2 * CLASS_SIDE + 2;
const NEAR = 0.5;
/** Mass in the usual class that is nothing but rounding: it must not count as an outcome that may occur. */
const ROUNDING = 1e-12;

/** Masses [outcomes][groups] of one check, before misreading; `together` names the checks it is compared with. */
export interface Told {
  check: Check;
  joint: Float64Array[];
  misread: number;
  together: string;
}

function half(value: number): number {
  // Halves go to the even number, as they do in numpy.
  const low = Math.floor(value);
  const over = value - low;
  if (over !== 0.5) return Math.round(value);
  return low % 2 === 0 ? low : low + 1;
}

export function entropy(masses: Iterable<number>): number {
  let sum = 0;
  for (const one of masses) if (one > 0) sum -= one * Math.log(one);
  return sum;
}

/** Mutual information of outcome and group in nats. */
export function information(told: Told, priorEntropy: number): number {
  const { joint, misread } = told;
  const groups = joint[0]!.length;
  const total = new Float64Array(groups);
  let occupied = 0;
  const some = joint.map((one) => {
    let sum = 0;
    for (let g = 0; g < groups; g++) {
      total[g]! += one[g]!;
      sum += one[g]!;
    }
    occupied += Number(sum > 0);
    return sum > 0;
  });
  let alone = 0;
  let both = 0;
  joint.forEach((one, k) => {
    const share = misread && some[k] ? misread / Math.max(occupied, 1) : 0;
    let sum = 0;
    for (let g = 0; g < groups; g++) {
      const mass = (1 - misread) * one[g]! + share * total[g]!;
      sum += mass;
      if (mass > 0) both -= mass * Math.log(mass);
    }
    if (sum > 0) alone -= sum * Math.log(sum);
  });
  return Math.max(priorEntropy + alone - both, 0);
}

export class Teller {
  constructor(private readonly evidence: Evidence, private readonly checks: Check[]) {}

  /** What every check of the table would tell that tells anything; `leftOut` are ids of functions not looked at. */
  told(now: Live, patient: Live, prior: Float64Array, watched: Set<string>, leftOut: Set<string>): Told[] {
    const found: Told[] = [];
    const states = [...new Set(this.checks.filter(metered).map((one) => one.state))];
    const of = (kind: string, state: string) => this.checks.filter((one) => one.kind === kind && one.state === state);
    for (const name of states) {
      const seen = watched.has(name) ? patient : now;
      const checks = this.checks.filter((one) => (one.kind === "volts" || one.kind === "drop") && one.state === name);
      found.push(...this.classed(checks, this.evidence.state(name), seen, prior, watched.has(name)));
    }
    found.push(...this.shown(now, leftOut));
    for (const one of this.checks) if (one.kind === "round") found.push(this.round(one, now));
    found.push(...this.places(now, prior));
    for (const one of this.checks) if (one.kind === "ohms") found.push(this.ohms(one, now));
    for (const name of states) {
      const seen = watched.has(name) ? patient : now;
      found.push(...this.clamped(of("amps", name), this.evidence.state(name), seen, prior, watched.has(name)));
      for (const one of of("lamp", name)) found.push(this.lamp(one, seen, watched.has(name)));
    }
    for (const one of this.checks) if (one.kind === "watch") found.push(this.watch(one, now));
    return found;
  }

  private empty(kinds: number, now: Live): Float64Array[] {
    return Array.from({ length: kinds }, () => new Float64Array(now.names.length));
  }

  /** Checks sorted into classes by how far each row lies from the sound machine: `away(row)` in steps. */
  private byClass(
    check: Check, away: (row: number) => number, state: State, now: Live, prior: Float64Array, watched: boolean,
    together: string,
  ): Told | null {
    const asleep = asleepByGroup(now);
    asleep[asleep.length - 1]! += prior[prior.length - 1]!;
    const joint = this.empty(CLASSES, now);
    const taken = new Float64Array(asleep.length);
    let any = false;
    now.row.forEach((own, at) => {
      const far = away(state.carried[own]!);
      const size = Math.abs(far);
      if (!(size > NEAR)) return;
      any = true;
      const step = Math.min(Math.max(half(Math.fround(Math.log2(Math.fround(1 + size)))), 1), CLASS_SIDE);
      const group = now.group[at]!;
      joint[far < 0 ? CLASS_SIDE - step : CLASS_SIDE + step]![group]! += now.awake[at]!;
      taken[group]! += now.awake[at]!;
    });
    if (!any) return null;
    for (let g = 0; g < asleep.length; g++) {
      const usual = watched ? prior[g]! - asleep[g]! : prior[g]!;
      const left = usual - taken[g]!;
      joint[CLASS_SIDE]![g] = left > ROUNDING ? left : 0;
      if (watched) joint[CLASSES - 1]![g] = asleep[g]!;
    }
    return { check, joint, misread: MISREAD, together };
  }

  private classed(checks: Check[], state: State, now: Live, prior: Float64Array, watched: boolean): Told[] {
    const rows = this.evidence.table.rows;
    const found: Told[] = [];
    for (const check of checks) {
      const [one, other] = pair(state, check.plus, check.minus);
      const high = state.volts[one]!;
      const low = state.volts[other]!;
      // In single precision, as the server sorts them.
      const healthy = Math.fround(high[rows]! - low[rows]!);
      const sigma = Math.sqrt(meterV(healthy) ** 2 + spreadV(state, check.plus, check.minus) ** 2);
      const steps = Math.fround(1 / (CLASS_STEP * sigma));
      const away = (row: number) =>
        Math.fround(Math.fround(Math.fround(high[row]! - low[row]!) - healthy) * steps);
      const told = this.byClass(check, away, state, now, prior, watched, `volts ${state.name}`);
      if (told) found.push(told);
    }
    return found;
  }

  private clamped(checks: Check[], state: State, now: Live, prior: Float64Array, watched: boolean): Told[] {
    const rows = this.evidence.table.rows;
    const found: Told[] = [];
    for (const check of checks) {
      const known = this.evidence.table.amps.get(key(check.state, check.plus));
      if (!known) continue; // no fault changes it noticeably
      const healthy = known.value[rows]!;
      const sigma = Math.hypot(CLAMP_A + CLAMP_SHARE * healthy, known.spread);
      if (!known.value.some((value) => Math.abs(value - healthy) > 3 * sigma)) continue;
      const away = (row: number) => Math.fround((known.value[row]! - healthy) / sigma / CLASS_STEP);
      const told = this.byClass(check, away, state, now, prior, watched, `amps ${state.name}`);
      if (told) found.push(told);
    }
    return found;
  }

  /** Masses where each row shows outcome k with a chance of its own; asleep as the sound machine does. */
  private weighed(now: Live, kinds: number, chance: (row: number, k: number) => number): Float64Array[] {
    const joint = this.empty(kinds, now);
    const rows = this.evidence.table.rows;
    for (let k = 0; k < kinds; k++) {
      const sound = chance(rows, k);
      now.row.forEach((row, at) => {
        joint[k]![now.group[at]!]! += now.awake[at]! * chance(row, k) + now.asleep[at]! * sound;
      });
    }
    return joint;
  }

  private shown(now: Live, leftOut: Set<string>): Told[] {
    const found: Told[] = [];
    for (const check of this.checks) {
      if (leftOut.has(check.id) || (check.kind !== "operate" && check.kind !== "code")) continue;
      const state = this.evidence.state(check.state);
      if (check.kind === "operate") {
        const levels = this.evidence.rowLevels(check.function, check.state);
        const joint = this.weighed(now, 3, (row, k) => levels.lines[levels.which[state.carried[row]!]! * 3 + k]!);
        found.push({ check, joint, misread: MISREAD, together: "shown" });
      } else {
        const chance = state.codes.get(key(check.controller, check.code));
        if (!chance) continue;
        const active = column(chance.anywhere);
        const joint = this.weighed(now, 2, (row, k) => {
          const hit = active[state.carried[row]!]!;
          return k === 1 ? hit : 1 - hit;
        });
        found.push({ check, joint, misread: MISREAD, together: "shown" });
      }
    }
    return found;
  }

  private round(check: Check, now: Live): Told {
    const state = this.evidence.state(check.state);
    const functions = this.evidence.table.rounds[check.state] ?? [];
    const levels = functions.map((one) => this.evidence.rowLevels(one, check.state));
    const likeliest = levels.map((one) => {
      const count = one.lines.length / 3;
      return Int32Array.from({ length: count }, (_, line) => {
        const [a = 0, b = 0, c = 0] = one.lines.subarray(3 * line, 3 * line + 3);
        return a >= b && a >= c ? 0 : b >= c ? 1 : 2;
      });
    });
    const pattern = (row: number) => levels.map((one, at) => likeliest[at]![one.which[row]!]!).join("");
    const sound = pattern(this.evidence.table.rows);
    const number = new Map<string, number>([[sound, 0]]);
    const kinds = Array.from(now.row, (row) => {
      const shown = pattern(state.carried[row]!);
      const known = number.get(shown) ?? number.size;
      number.set(shown, known);
      return known;
    });
    return { check, joint: this.sorted(now, kinds, 0, number.size), misread: MISREAD, together: check.id };
  }

  /** Masses where each hypothesis shows one outcome, asleep that of the sound machine. */
  private sorted(now: Live, kinds: number[], sound: number, count: number): Float64Array[] {
    const joint = this.empty(count, now);
    now.group.forEach((group, at) => {
      joint[kinds[at]!]![group]! += now.awake[at]!;
      joint[sound]![group]! += now.asleep[at]!;
    });
    return joint;
  }

  private places(now: Live, prior: Float64Array): Told[] {
    const { table } = this.evidence;
    const mass = new Float64Array(table.faults);
    const sleeping = new Float64Array(table.faults);
    const group = new Int32Array(table.faults);
    now.row.forEach((row, at) => {
      if (row === table.rows) return;
      const fault = table.rowFault[row]!;
      mass[fault]! += now.awake[at]! + now.asleep[at]!;
      sleeping[fault]! += now.asleep[at]!;
      group[fault] = now.group[at]!;
    });
    const found: Told[] = [];
    for (const check of this.checks) {
      if (check.kind !== "look" && check.kind !== "move") continue;
      const move = check.look === "";
      const usual = move ? FALSE_MOVE : FALSE_FIND;
      const sight = table.sights.get(key(check.look || "move", check.place));
      const positive = prior.map((one) => usual * one);
      let any = false;
      sight?.faults.forEach((fault, at) => {
        if (mass[fault]! <= LEAST_SEEN) return;
        any = true;
        const sees = sight.sees[at]!;
        const hidden = sight.hidden[at]!;
        let chance = move ? sees : (1 - hidden) * sees + hidden * FALSE_FIND;
        if (move) chance *= 0.25 + 0.75 * Math.min((2 * sleeping[fault]!) / mass[fault]!, 1);
        positive[group[fault]!]! += mass[fault]! * (chance - usual);
      });
      if (!any) continue;
      const joint = [prior.map((one, g) => one - positive[g]!), positive];
      found.push({ check, joint, misread: 0, together: "places" });
    }
    return found;
  }

  private ohms(check: Check, now: Live): Told {
    const { rows } = this.evidence.table;
    const known = this.evidence.table.ohms.get(key(check.state, check.plus, check.minus, ...check.unplugged))!;
    const scale = column(known.scale);
    const sigma = column(known.sigma);
    const kinds = Array.from(now.row, (row) => {
      const away = (scale[row]! - scale[rows]!) / (CLASS_STEP * Math.max(sigma[row]!, sigma[rows]!));
      const step = Math.min(Math.max(half(Math.log2(1 + Math.abs(away))), 0), CLASS_SIDE);
      return away < 0 ? CLASS_SIDE - step : CLASS_SIDE + step;
    });
    const joint = this.sorted(now, kinds, CLASS_SIDE, 2 * CLASS_SIDE + 1);
    return { check, joint, misread: MISREAD, together: check.id };
  }

  private lamp(check: Check, now: Live, watched: boolean): Told {
    const { rows } = this.evidence.table;
    const state = this.evidence.state(check.state);
    const lamp = key(check.state, check.plus, check.minus || state.reference);
    const chances = this.evidence.table.lamps.get(lamp)!.anywhere;
    const joint = this.empty(4, now);
    const seen = (row: number, k: number) => chances.lines[chances.which[state.carried[row]!]! * 3 + k]!;
    now.row.forEach((row, at) => {
      const group = now.group[at]!;
      for (let k = 0; k < 3; k++) {
        joint[k]![group]! += now.awake[at]! * seen(row, k) + (watched ? 0 : now.asleep[at]! * seen(rows, k));
      }
      if (watched) joint[3]![group]! += now.asleep[at]!;
    });
    return { check, joint, misread: MISREAD, together: `lamp ${check.state}` };
  }

  private watch(check: Check, now: Live): Told {
    const levels: Lines = this.evidence.table.apart.get(
      key(check.state, check.function, ...[...check.unplugged].sort()),
    )!;
    const joint = this.weighed(now, 3, (row, k) => levels.lines[levels.which[row]! * 3 + k]!);
    return { check, joint, misread: MISREAD, together: check.id };
  }
}

export function metered(check: Check): boolean {
  return ["volts", "drop", "lamp", "amps"].includes(check.kind);
}
