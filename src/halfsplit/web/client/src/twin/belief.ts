// The odds over all single faults, kept by epoch (diagnosis/belief.py); two faults at once are the server's.
import { PLACES } from "./arrays";
import type { Evidence } from "./weighing";
import { NEW_LOOK, SAID_SLEEPS } from "./weighing";
import { addLogs } from "./volts";
import { type Epoch, type Symptom } from "./observing";

/** As diagnosis/belief.py and diagnosis/pairs.py. */
const NO_CHANCE = 1e-12;
const ROUNDING = 1e-6;

/** Hypotheses stand in pairs, a row steady and then the same row sleeping. */
export interface Belief {
  there: Float64Array;
  gone: Float64Array;
  nothing: number;
  other: number;
  logEvidence: number;
  /** Chance that nothing is wrong any more (or ever was). */
  mended: number;
  groupOdds: Float64Array;
  rowOdds: Float64Array;
}

interface Terms {
  /** At each place where a severity may lie. */
  there: Float64Array[];
  gone: number;
  other: number;
}

function epochTerms(evidence: Evidence, epoch: Epoch): Terms {
  const { rows, rowDuty, rowFault } = evidence.table;
  const block = evidence.blockTerms(epoch);
  const placed = PLACES.map(() => ({
    steady: block.steady.slice(0, rows),
    sleeping: Float64Array.from(block.sleeping),
    doubt: new Float64Array(rows),
    times: new Float64Array(rows),
  }));
  let gone = block.steady[rows]!;
  let other = block.flat;
  const asleepLine = evidence.asleepLine(epoch);
  for (const moment of epoch.moments()) {
    const items = moment.map((one) => evidence.weigh(one));
    for (const item of items) other += Math.log(item.other);
    const showing = moment[0]!.showing;
    // Where no item tells the places apart they are worked out once.
    const alike = items.every((item) => item.at.length === 1);
    let log = new Float64Array(0);
    placed.forEach(({ steady, sleeping, doubt, times }, place) => {
      if (place === 0 || !alike) {
        log = new Float64Array(rows + 1);
        for (const item of items) {
          const likely = item.at[place] ?? item.at[0]!;
          for (let row = 0; row <= rows; row++) log[row]! += Math.log(likely[row]!);
        }
      }
      if (place === 0) gone += log[rows]!;
      for (let row = 0; row < rows; row++) {
        const here = log[row]!;
        steady[row]! += here;
        if (showing === "yes") {
          sleeping[row]! += here;
          continue;
        }
        const asleep = log[asleepLine(row)]!;
        sleeping[row]! += asleep;
        if (showing === "no") continue;
        const awake = Math.log1p(rowDuty[row]! * Math.expm1(here - asleep));
        sleeping[row]! += Math.max(awake, 0);
        doubt[row]! += Math.min(awake, 0);
        times[row]! += Number(awake < -ROUNDING);
      }
    });
  }
  const looks = evidence.lookChances(epoch);
  const moved = evidence.moveChances(epoch, true);
  const still = evidence.moveChances(epoch, false);
  const there = placed.map(({ steady, sleeping, doubt, times }) => {
    const found = new Float64Array(2 * rows);
    for (let row = 0; row < rows; row++) {
      const fault = rowFault[row]!;
      const count = times[row]!;
      const asleep = sleeping[row]! + (doubt[row]! * (1 + NEW_LOOK * Math.max(count - 1, 0))) / Math.max(count, 1);
      found[2 * row] = steady[row]! + still.there[fault]! + looks.there[fault]!;
      found[2 * row + 1] = asleep + moved.there[fault]! + looks.there[fault]!;
    }
    return found;
  });
  return { there, gone: gone + looks.absent + moved.absent, other: other + looks.flat + moved.flat };
}

/** Log weights of a severity anywhere from those at each place. */
function anywhere(places: Float64Array[]): Float64Array {
  return places[0]!.map((one, at) => addLogs(addLogs(one, places[1]![at]!), places[2]![at]!));
}

export function believe(evidence: Evidence): Belief {
  const { table } = evidence;
  const { rows, rowFault, rowGroup, logPrior } = table;
  const singles = 2 * rows;
  const said = (chance: number) => (table.complaint.comesAndGoes ? chance : 1 - chance);
  const [sleeps, steady] = SAID_SLEEPS;
  const alone = PLACES.map((weight) => new Float64Array(singles).fill(Math.log(weight)));
  const healed = new Float64Array(singles).fill(-Infinity);
  for (const one of alone) {
    for (let at = 0; at < singles; at++) one[at]! += logPrior[at]! + Math.log(said(at % 2 === 1 ? sleeps : steady));
  }
  let nothing = logPrior[singles]! + Math.log(said(steady));
  let other = logPrior[singles + 1]! + Math.log(0.5);
  evidence.epochs.forEach((epoch, number) => {
    const terms = epochTerms(evidence, epoch);
    alone.forEach((one, place) => {
      const there = terms.there[place]!;
      for (let at = 0; at < singles; at++) one[at]! += there[at]!;
    });
    for (let at = 0; at < singles; at++) healed[at]! += terms.gone;
    nothing += terms.gone;
    other += terms.other;
    if (!epoch.endedBy) return;
    const cured = evidence.cures(number);
    const present = anywhere(alone);
    for (let at = 0; at < singles; at++) {
      const chance = Math.min(Math.max(cured[rowFault[at >> 1]!]!, 0), 1 - NO_CHANCE);
      healed[at] = addLogs(healed[at]!, present[at]! + Math.log(chance));
      for (const one of alone) one[at]! += Math.log1p(-chance);
    }
  });
  const present = anywhere(alone);
  let most = Math.max(nothing, other);
  for (let at = 0; at < singles; at++) most = Math.max(most, present[at]!, healed[at]!);
  let sum = Math.exp(nothing - most) + Math.exp(other - most);
  for (let at = 0; at < singles; at++) sum += Math.exp(present[at]! - most) + Math.exp(healed[at]! - most);
  const total = most + Math.log(sum);
  const there = present.map((one) => Math.exp(one - total));
  const gone = healed.map((one) => Math.exp(one - total));
  const groupOdds = new Float64Array(table.groups.length);
  const rowOdds = new Float64Array(rows);
  let mended = Math.exp(nothing - total);
  for (let at = 0; at < singles; at++) {
    rowOdds[at >> 1]! += there[at]!;
    groupOdds[rowGroup[at >> 1]!]! += there[at]!;
    mended += gone[at]!;
  }
  return {
    there, gone, nothing: Math.exp(nothing - total), other: Math.exp(other - total), logEvidence: total, mended,
    groupOdds: groupOdds.map((one) => Math.min(one, 1)), rowOdds,
  };
}

/** Functions that are not as they should be: seen so since the last work, and complaints not looked at since. */
export function openSymptoms(evidence: Evidence): Symptom[] {
  const name = (one: Symptom) => JSON.stringify([one.function, one.state]);
  const seen = evidence.last.electrical.filter((one): one is Symptom => one.kind === "symptom");
  const lookedAt = new Set(seen.map(name));
  const told = evidence.table.complaint.symptoms;
  const complained = new Set(told.map(name));
  const left = [...seen, ...told.filter((one) => !lookedAt.has(name(one)))];
  const order = (one: Symptom) => [one.function, one.state, one.level].join("\u0000");
  const bad = new Map<string, Symptom>();
  for (const one of left.sort((a, b) => (order(a) < order(b) ? -1 : 1))) {
    const expected = evidence.table.functions[one.function]?.[one.state];
    if (expected !== undefined && one.level !== expected) bad.set(name(one), one);
  }
  const rank = (one: Symptom) => (complained.has(name(one)) ? "0" : "1") + one.function;
  return [...bad.values()].sort((a, b) => (rank(a) < rank(b) ? -1 : rank(a) > rank(b) ? 1 : 0));
}
