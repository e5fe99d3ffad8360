// The hypotheses worth computing with when the next step is chosen (diagnosis/living.py).
import type { Belief } from "./belief";
import type { Showing } from "./observing";
import type { Table } from "./table";
import { NEW_LOOK } from "./weighing";

/** As diagnosis/living.py. */
const LIVE_MASS = 0.995;
const LIVE_MOST = 700;
export const ALIKE = 1e-9;
const GROUPS_MOST = 48;

/** Rows with their mass awake and asleep and a small group number; the sound machine stands last. */
export interface Live {
  row: Int32Array;
  awake: Float64Array;
  asleep: Float64Array;
  group: Int32Array;
  /** The group behind each small number: -1 the rest, -2 nothing wrong now. */
  names: number[];
  waitMin: number;
}

export function live(table: Table, belief: Belief, showing: Showing, wait: number): Live {
  const order = likeliest(belief.there);
  const mass = order.map((at) => belief.there[at]!);
  const byGroup = new Float64Array(table.groups.length);
  order.forEach((at, n) => (byGroup[table.rowGroup[at >> 1]!]! += mass[n]!));
  const told = byGroup.map(butForRounding);
  const top = [...byGroup.keys()].filter((one) => byGroup[one]! !== 0)
    .sort((a, b) => told[b]! - told[a]! || a - b).slice(0, GROUPS_MOST);
  const small = new Map(top.map((one, at) => [one, at]));
  const clear = belief.mended;
  const scale = 1 / Math.max(mass.reduce((sum, one) => sum + one, 0) + clear, 1e-300);
  const n = order.length;
  const found: Live = {
    row: new Int32Array(n + 1), awake: new Float64Array(n + 1), asleep: new Float64Array(n + 1),
    group: new Int32Array(n + 1), names: [...top, -1, -2], waitMin: 0,
  };
  let waiting = wait * clear;
  order.forEach((at, place) => {
    const own = table.rowDuty[at >> 1]!;
    const duty = showing === "unknown" ? own : NEW_LOOK * own + (1 - NEW_LOOK) * Number(showing === "yes");
    let absent = at % 2 === 1 ? 1 - duty : 0;
    let waited = 0;
    for (let minute = 0; minute < wait; minute++) {
      waited += absent;
      absent *= 1 - NEW_LOOK * own;
    }
    waiting += waited * mass[place]!;
    found.row[place] = at >> 1;
    found.awake[place] = mass[place]! * (1 - absent) * scale;
    found.asleep[place] = mass[place]! * absent * scale;
    found.group[place] = small.get(table.rowGroup[at >> 1]!) ?? top.length;
  });
  found.row[n] = table.rows;
  found.awake[n] = clear * scale;
  found.group[n] = top.length + 1;
  found.waitMin = waiting * scale;
  return found;
}

/** A number to one part in 2^32: two that differ by rounding alone are the same, so that the first comes first. */
export function butForRounding(value: number): number {
  if (value === 0) return 0;
  const unit = 2 ** (Math.floor(Math.log2(Math.abs(value))) - 31);
  return Math.round(value / unit) * unit;
}

/** The hypotheses that hold nearly all weight, likeliest first; of equally likely ones the first. */
function likeliest(weight: Float64Array): number[] {
  let total = 0;
  for (const one of weight) total += one;
  if (total <= 0) return [...weight.keys()].slice(0, LIVE_MOST);
  const told = weight.map(butForRounding);
  const order = [...weight.keys()].filter((at) => weight[at]! > (0.9 * (1 - LIVE_MASS) * total) / weight.length)
    .sort((a, b) => told[b]! - told[a]! || a - b).slice(0, LIVE_MOST);
  let sum = 0;
  const end = order.findIndex((at) => (sum += weight[at]!) >= LIVE_MASS * total);
  // Which of equally likely ones comes last is a matter of rounding, so they stay all or none.
  const last = weight[order[end < 0 ? order.length - 1 : end]!]!;
  return order.filter((at) => weight[at]! >= (1 - ALIKE) * last);
}

export function asleepByGroup(now: Live): Float64Array {
  const found = new Float64Array(now.names.length);
  now.group.forEach((group, at) => (found[group]! += now.asleep[at]!));
  return found;
}
