// One hunt on the phone: what was found, the odds, and what is worth doing next for its minutes
// (diagnosis/hunt.py, diagnosis/planning.py and diagnosis/offers.py; without looking ahead and without two faults).
import { believe, type Belief, openSymptoms } from "./belief";
import { ALIKE, butForRounding, live } from "./living";
import { type Action, agreeing, type Check, type Found, pointOf, reported, type Showing, type Symptom } from "./observing";
import type { Group, Table } from "./table";
import { entropy, information, metered, type Told, Teller } from "./telling";
import { Evidence } from "./weighing";

/** As diagnosis/planning.py, diagnosis/offers.py, diagnosis/endgame.py and diagnosis/hunt.py. */
const REPAIR_AT = 0.95;
const NO_REPAIR_ABOVE = 0.3;
const LEAST_REPAIR = 0.6;
const IDLE_RATE = 0.003;
const LAST_REPAIR = 0.06;
const LAST_REPAIRS = 4;
const AHEAD_REPAIR = 0.2;
const WAIT_MOST = 6;
const FINISH_AT = 0.93;
const BEST_SIFTED = 40;
const TOLD_BEFORE = 0.2;
const NEW_MASS = 0.03;
const VERIFY_MIN = 3;
export const USED_UP = 6;
/** A reading with something out is taken so often at most between two repairs. */
const APART_MOST = 2;
const NO_INFORMATION = 1e-6;
const STRAYS = 0.5;
const STILL_UPSET = 0.3;
const OTHERS = 6;

export interface Option {
  check: Check | null;
  repair: Group | null;
  minutes: number;
  setupMin: number;
  information: number;
  odds: number;
  /** A reading that would tell almost the same as one taken; its information counts for less. */
  stale?: boolean;
}
export interface Decision {
  kind: "check" | "repair" | "finish" | "hand-over";
  best: Option | null;
  others: Option[];
}

function rate(one: Option): number {
  return one.information / one.minutes;
}

export class Hunt {
  readonly evidence: Evidence;
  openSteps = new Set<string>();
  state = "";
  showing: Showing = "unknown";
  private readonly done = new Map<string, number>();
  private readonly looked = new Map<string, number>();
  /** Checks made with plugs or fuses out since something was mended: which ones, each time. */
  private readonly apart = new Map<string, string[][]>();
  private readonly repaired = new Map<string, number>();
  private known: Belief | null = null;

  constructor(readonly table: Table) {
    this.evidence = new Evidence(table);
    for (const one of table.found) this.take(one);
    this.openSteps = new Set(table.openSteps);
  }

  get belief(): Belief {
    this.known ??= believe(this.evidence);
    return this.known;
  }

  /** Takes what was found. Throws NotInTable, and has then taken nothing. */
  take({ observation, check }: Found): void {
    this.evidence.add(observation);
    this.known = null;
    const told = observation.kind === "symptom" && reported(observation);
    if (observation.kind === "action") {
      if (observation.action !== "unplug-refit") this.apart.clear();
      // A refitted plug may work again, but what was read with it out would be read again just so.
      for (const name of [...this.done.keys()]) {
        const made = this.apart.get(name) ?? [];
        if (made.length < APART_MOST && !made.some((out) => out.includes(observation.place))) this.done.delete(name);
      }
      const name = `${observation.action}:${observation.place}`;
      this.repaired.set(name, (this.repaired.get(name) ?? 0) + 1);
      this.showing = "unknown";
      return;
    }
    if (check && observation.kind !== "out-of-reach") {
      const counter = observation.kind === "look" ? this.looked : this.done;
      const count = (id: string, more: number) => counter.set(id, (counter.get(id) ?? 0) + more);
      const used = this.used(observation);
      const out = "unplugged" in observation ? observation.unplugged ?? [] : [];
      if (out.length > 0) this.apart.set(check.id, [...(this.apart.get(check.id) ?? []), out]);
      count(check.id, check.kind === "round" && !told ? USED_UP : used);
      if (check.kind === "round" && observation.kind === "symptom") {
        count(`operate ${observation.function} in ${observation.state}`, used);
      }
      if (observation.kind === "reading") {
        const seen = this.evidence.last.repeats.get(pointOf(observation));
        if (seen && agreeing(seen.reading, seen.values).length === 0) counter.set(check.id, 0);
      }
    }
    if (observation.kind !== "out-of-reach" && !told) {
      if (check?.state) this.state = check.state;
      for (const step of check?.steps ?? []) this.openSteps.add(step);
    }
    if (observation.kind === "symptom" && this.complained(observation) && !told) {
      const expected = this.table.functions[observation.function]?.[observation.state];
      this.showing = observation.level === expected ? "no" : "yes";
    }
  }

  private used(observation: Exclude<Found["observation"], Action>): number {
    if (observation.kind === "symptom") {
      if (reported(observation)) return 0;
      return this.complained(observation) ? USED_UP / 2 : USED_UP;
    }
    return "showing" in observation && observation.showing === "no" ? USED_UP / 3 : USED_UP;
  }

  private complained(one: Symptom): boolean {
    return !one.unplugged?.length
      && this.table.complaint.symptoms.some((told) => told.function === one.function && told.state === one.state);
  }

  /** The functions that show whether a fault is there now. */
  watched(): Symptom[] {
    const told = this.table.complaint.symptoms;
    if (this.evidence.epochs.length === 1) return told;
    const odds = this.belief.rowOdds;
    const whole = odds.reduce((sum, one) => sum + one, 0);
    const wrong = openSymptoms(this.evidence);
    const unsure = told.filter((one) => {
      if (wrong.some((seen) => seen.function === one.function && seen.state === one.state)) return false;
      const strays = this.evidence.strays(one.function, one.state);
      const upset = odds.reduce((sum, chance, row) => sum + (strays[row]! > STRAYS ? chance : 0), 0);
      return upset >= STILL_UPSET * Math.min(1, whole);
    });
    return [...wrong, ...unsure];
  }

  private setup(steps: string[]): number {
    return steps.reduce((sum, step) => sum + (this.openSteps.has(step) ? 0 : this.table.access[step] ?? 0), 0);
  }

  private setting(state: string): number {
    return !state || state === this.state ? 0 : this.table.stateMin[state] ?? 0;
  }

  private usedUp(check: Check): boolean {
    return Math.max(this.done.get(check.id) ?? 0, this.looked.get(check.id) ?? 0) >= USED_UP;
  }

  private reachable(check: Check): boolean {
    return !this.evidence.unreachable.has(check.id);
  }

  private repairs(): Option[] {
    const found: Option[] = [];
    this.table.groups.forEach((group, at) => {
      const odds = this.belief.groupOdds[at]!;
      if (odds < LAST_REPAIR || this.evidence.unreachable.has(group.id)) return;
      const before = this.repaired.get(group.id) ?? 0;
      if (before && !(before === 1 && odds >= LEAST_REPAIR)) return;
      const chance = Math.min(odds * group.success, 1);
      const setupMin = this.setup(group.steps);
      found.push({
        check: null, repair: group, minutes: group.minutes + VERIFY_MIN + setupMin, setupMin,
        information: entropy([chance, 1 - chance]), odds,
      });
    });
    return found;
  }

  /** All options by information per minute, best first, and the repairs among them. */
  ranked(): { options: Option[]; offered: Option[] } {
    const { table } = this;
    const now = live(table, this.belief, this.showing, 0);
    const patient = live(table, this.belief, this.showing, WAIT_MOST);
    const watched = new Set(this.watched().map((one) => one.state));
    const prior = new Float64Array(now.names.length);
    now.group.forEach((group, at) => (prior[group]! += now.awake[at]! + now.asleep[at]!));
    const told = new Teller(this.evidence, table.checks).told(now, patient, prior, watched, this.onTheWay());
    const priorEntropy = entropy(prior);
    const options = told.map((one): Option => {
      const setupMin = this.setup(one.check.steps) + this.setting(one.check.state);
      const wait = metered(one.check) && watched.has(one.check.state) ? patient.waitMin : 0;
      return {
        check: one.check, repair: null, minutes: one.check.minutes + setupMin + wait, setupMin,
        information: information(one, priorEntropy), odds: 0,
      };
    });
    const offered = options.map((one) =>
      one.information > NO_INFORMATION && !this.usedUp(one.check!) && this.reachable(one.check!));
    this.sift(told, options, offered);
    const repairs = this.repairs();
    const all = [...options.filter((_, at) => offered[at]), ...repairs.filter((one) => one.odds >= LEAST_REPAIR)];
    const sorted = byRate(all).filter((one) => rate(one) >= IDLE_RATE);
    if (sorted.length > 0) return { options: sorted, offered: sorted.filter((one) => one.repair) };
    const done = [...this.repaired.values()].reduce((sum, one) => sum + one, 0);
    const vain = done >= LAST_REPAIRS;
    const likely = all.length > 0 || vain ? AHEAD_REPAIR : LAST_REPAIR;
    const mends = byRate(repairs.filter((one) => one.odds >= likely));
    return { options: mends, offered: mends };
  }

  /** Functions seen on a walk round are operated alone only where they are complained of. */
  private onTheWay(): Set<string> {
    return new Set(this.table.checks
      .filter((one) => one.kind === "operate" && one.state in this.table.rounds)
      .filter((one) => !this.table.complaint.symptoms
        .some((told) => told.function === one.function && told.state === one.state))
      .map((one) => one.id));
  }

  /** A reading that would tell almost the same as one taken is worth little. */
  private sift(told: Told[], options: Option[], offered: boolean[]): void {
    const best = [...options.keys()].filter((at) => offered[at]);
    const rates = best.map((at) => rate(options[at]!)).sort((a, b) => b - a);
    // Which of equally good ones comes last is a matter of rounding, so they are looked at all or none.
    const least = rates.length > BEST_SIFTED ? (1 - ALIKE) * rates[BEST_SIFTED - 1]! : -Infinity;
    for (const at of best.filter((one) => rate(options[one]!) >= least)) {
      const one = told[at]!;
      if (!metered(one.check)) continue;
      const near = told.some((taken) => taken.together === one.together && this.usedUp(taken.check)
        && apartBy(one, taken) < NEW_MASS);
      if (!near) continue;
      options[at]!.information *= TOLD_BEFORE;
      options[at]!.stale = true;
    }
  }

  /** Whether a function of the complaint was last seen not doing what it should. */
  complaintLeft(): boolean {
    return this.table.complaint.symptoms.some((told) => {
      let level: string | null = null;
      for (const epoch of this.evidence.epochs) {
        for (const one of epoch.electrical) {
          if (one.kind === "symptom" && one.function === told.function && one.state === told.state) level = one.level;
        }
      }
      const expected = this.table.functions[told.function]?.[told.state];
      return level !== null && expected !== undefined && level !== expected;
    });
  }

  next(): Decision {
    const { belief } = this;
    const { options: all, offered } = this.ranked();
    if (belief.mended >= FINISH_AT && belief.other < NO_REPAIR_ABOVE && !this.complaintLeft()) {
      return { kind: "finish", best: null, others: all.slice(0, OTHERS) };
    }
    let options = all;
    if (belief.other <= NO_REPAIR_ABOVE) {
      const likely = offered.reduce<Option | null>((best, one) => (best && best.odds >= one.odds ? best : one), null);
      if (likely && likely.odds >= REPAIR_AT) {
        const others = options.slice(0, OTHERS + 1).filter((one) => one !== likely);
        return { kind: "repair", best: likely, others: others.slice(0, OTHERS) };
      }
    } else {
      options = options.filter((one) => !one.repair);
    }
    const [best, ...others] = options;
    if (!best) return { kind: "hand-over", best: null, others: [] };
    return { kind: best.repair ? "repair" : "check", best, others: others.slice(0, OTHERS) };
  }
}

function byRate(options: Option[]): Option[] {
  return options.map((one, at) => ({ one, at, told: butForRounding(rate(one)) }))
    .sort((a, b) => b.told - a.told || a.at - b.at)
    .map(({ one }) => one);
}

function apartBy(one: Told, other: Told): number {
  let sum = 0;
  one.joint.forEach((masses, k) => masses.forEach((mass, g) => (sum += Math.abs(mass - (other.joint[k]?.[g] ?? 0)))));
  return sum / 2;
}
