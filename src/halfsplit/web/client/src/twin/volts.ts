// Voltage readings weighed together, because they share the machine's own tolerances (diagnosis/readings.py).
import type { Reading } from "./observing";
import type { Spread, State, Table } from "./table";

/** As diagnosis/likelihood.py. */
const METER_SHARE = 0.005;
const METER_V = 0.02;
export const GRADE_SHARE = 0.5;
const OTHER_POINT = 0.8;
const OTHER_POINT_V = 0.15;
export const OUTLIER_FLOOR = 0.02;
/** As diagnosis/readings.py. */
const WIDE_SHARE = 0.15;
const WIDE = 3.0;
const CHANGE_SHARE = 0.03;

export function meterV(value: number): number {
  return METER_V + METER_SHARE * Math.abs(value);
}

/** Chance that a reading, or each of those that agree, was taken on the wrong pin. */
export function wrongPin(one: Reading): number {
  return OUTLIER_FLOOR ** (one.times ?? 1);
}

/** Width over which an unexplained voltage is spread evenly. */
export function span(table: Table): number {
  return 1.3 * table.systemV;
}

export function addLogs(one: number, other: number): number {
  if (one === other) return one + Math.LN2;
  const most = Math.max(one, other);
  if (most === -Infinity) return most;
  return most + Math.log1p(Math.exp(-Math.abs(one - other)));
}

/** Two points of a state by their number in the table. */
export function pair(state: State, plus: string, minus: string): [number, number] {
  const one = state.point.get(plus);
  const other = state.point.get(minus || state.reference);
  if (one === undefined || other === undefined) throw new NotInTable(`${plus} and ${minus} in ${state.name}`);
  return [one, other];
}

/** The table has not what is needed to weigh this; the server has. */
export class NotInTable extends Error {}

/** Predicted volts between two points for every row and the sound machine. */
export function voltsOf(state: State, plus: string, minus: string): Float64Array {
  const [one, other] = pair(state, plus, minus);
  const high = state.volts[one]!;
  const low = state.volts[other]!;
  return Float64Array.from(high, (value, row) => value - low[row]!);
}

/** What one deviation of each element does to the sound machine's reading. */
function soundSpread(spread: Spread, plus: number, minus: number): Float64Array {
  const count = spread.deviation.length;
  const found = new Float64Array(count);
  for (let e = 0; e < count; e++) {
    found[e] = spread.raw[plus * count + e]! * spread.deviation[e]! - spread.raw[minus * count + e]! * spread.deviation[e]!;
  }
  return found;
}

function dot(one: Float64Array, other: Float64Array): number {
  let sum = 0;
  for (let at = 0; at < one.length; at++) sum += one[at]! * other[at]!;
  return sum;
}

/** The same after the fault of the table's `at`-th row of its own spread. */
function ownSpread(state: State, at: number, plus: number, minus: number): Float64Array {
  const { spread } = state;
  const count = spread.deviation.length;
  const points = state.point.size;
  const found = new Float64Array(count);
  for (let e = 0; e < count; e++) found[e] = spread.raw[plus * count + e]! - spread.raw[minus * count + e]!;
  for (let k = 0; k < spread.width; k++) {
    const place = spread.place[at * spread.width + k]!;
    if (place < 0) continue;
    const from = (at * spread.width + k) * points;
    const weight = spread.weight[from + plus]! - spread.weight[from + minus]!;
    if (weight === 0) continue;
    for (let e = 0; e < count; e++) found[e]! -= weight * spread.places[place * count + e]!;
  }
  for (let e = 0; e < count; e++) found[e]! *= spread.rowDeviation[at * count + e]!;
  const most = spread.most;
  const share = Math.min(1, most / Math.max(Math.sqrt(dot(found, found)), most));
  for (let e = 0; e < count; e++) found[e]! *= share;
  return found;
}

export function spreadV(state: State, plus: string, minus: string): number {
  const [one, other] = pair(state, plus, minus);
  const found = soundSpread(state.spread, one, other);
  return Math.sqrt(dot(found, found));
}

/** Standard deviation in V of a reading for every row and the sound machine. */
export function readingSigma(table: Table, state: State, value: Float64Array, plus: string, minus: string): Float64Array {
  const rows = table.rows;
  const spread = new Float64Array(rows + 1).fill(spreadV(state, plus, minus));
  const [one, other] = pair(state, plus, minus);
  state.spread.rows.forEach((row, at) => {
    const own = ownSpread(state, at, one, other);
    spread[row] = Math.sqrt(dot(own, own));
  });
  return Float64Array.from(value, (here, row) => {
    const fixed = meterV(here);
    let grade = 0;
    if (row < rows) {
      const gap = Math.abs(value[state.before[row]!]! - here) + Math.abs(value[state.after[row]!]! - here);
      grade = GRADE_SHARE * 0.5 * gap;
    }
    return Math.sqrt(fixed ** 2 + spread[row]! ** 2 + grade ** 2);
  });
}

/** Width in V that gives the density of a wrong reading of this value. */
export function strayWidth(table: Table, state: State, one: Reading): number {
  // The other lead stands on a point whose volts are known by name.
  const minus = state.volts[pair(state, one.minus, one.minus)[0]]![table.rows]!;
  let sum = 0;
  for (const sound of state.sound) {
    const off = (one.value - (sound - minus)) / OTHER_POINT_V;
    sum += Math.exp(-0.5 * off * off);
  }
  const there = sum / state.sound.length / (OTHER_POINT_V * Math.sqrt(2 * Math.PI));
  return 1 / (OTHER_POINT * there + (1 - OTHER_POINT) / span(table));
}

interface Errors {
  precision: Float64Array;
  logDeterminant: number;
}

/** The inverse and the logarithm of the determinant of a covariance, by its Cholesky factor. */
function errorsOf(vectors: Float64Array[], readings: Reading[]): Errors {
  const n = vectors.length;
  const lower = new Float64Array(n * n);
  let logDeterminant = 0;
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let sum = dot(vectors[i]!, vectors[j]!) + (i === j ? meterV(readings[i]!.value) ** 2 : 0);
      for (let k = 0; k < j; k++) sum -= lower[i * n + k]! * lower[j * n + k]!;
      lower[i * n + j] = i === j ? Math.sqrt(sum) : sum / lower[j * n + j]!;
    }
    logDeterminant += 2 * Math.log(lower[i * n + i]!);
  }
  const inverse = new Float64Array(n * n);
  for (let column = 0; column < n; column++) {
    for (let i = column; i < n; i++) {
      let sum = i === column ? 1 : 0;
      for (let k = column; k < i; k++) sum -= lower[i * n + k]! * inverse[k * n + column]!;
      inverse[i * n + column] = sum / lower[i * n + i]!;
    }
  }
  const precision = new Float64Array(n * n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) {
      let sum = 0;
      for (let k = Math.max(i, j); k < n; k++) sum += inverse[k * n + i]! * inverse[k * n + j]!;
      precision[i * n + j] = sum;
    }
  }
  return { precision, logDeterminant };
}

/** Readings of one epoch with the errors they share, and the predictions of every row for them. */
export class Block {
  private readonly states: State[];
  private readonly sound: Float64Array[];
  private readonly errors: Errors;
  private readonly stray: number[];
  private readonly wrong: number[];
  /** By reading: predictions and severity directions of every row, fuses blown before included. */
  readonly value: Float64Array[] = [];
  readonly along: Float64Array[] = [];

  constructor(private readonly table: Table, readonly readings: Reading[], state: (name: string) => State) {
    this.states = readings.map((one) => state(one.state));
    const spreads = readings.map((one, at) => {
      const own = this.states[at]!;
      return soundSpread(own.spread, ...pair(own, one.plus, one.minus));
    });
    this.sound = this.aligned(spreads);
    this.errors = errorsOf(this.sound, readings);
    this.stray = readings.map((one, at) => strayWidth(table, this.states[at]!, one));
    this.wrong = readings.map(wrongPin);
    this.predict();
  }

  /** Vectors over the elements of each reading's state, over one list of elements for all. */
  private aligned(spreads: Float64Array[]): Float64Array[] {
    return spreads.map((one, at) => this.widened(one, at));
  }

  private widened(one: Float64Array, at: number): Float64Array {
    const elements = this.states[at]!.spread.elements;
    const most = Math.max(...this.states.map((state) => state.spread.elements.at(-1) ?? -1)) + 1;
    const found = new Float64Array(most);
    for (let e = 0; e < elements.length; e++) found[elements[e]!] = one[e]!;
    return found;
  }

  private predict(): void {
    const { rows } = this.table;
    const values = this.readings.map((one, at) => voltsOf(this.states[at]!, one.plus, one.minus));
    const ways = values.map((value, at) => {
      const { before: rowBefore, after: rowAfter } = this.states[at]!;
      const way = new Float64Array(rows + 1);
      for (let row = 0; row < rows; row++) {
        const neighbours = Math.max(Number(rowAfter[row] !== row) + Number(rowBefore[row] !== row), 1);
        const after = value[rowAfter[row]!]! - value[row]!;
        const before = value[row]! - value[rowBefore[row]!]!;
        // Where it rises to one and falls to the other, something switches on the way to the nearer of the two.
        const larger = Math.abs(after) > Math.abs(before) ? after : before;
        way[row] = GRADE_SHARE * (after * before < 0 ? larger : (after + before) / neighbours);
      }
      return way;
    });
    for (let row = 0; row <= rows; row++) {
      let lean = 0;
      for (let n = 0; n < values.length; n++) lean += ways[n]![row]! * (values[n]![row]! - values[n]![rows]!);
      const sign = lean < 0 ? -1 : 1;
      for (let n = 0; n < values.length; n++) {
        ways[n]![row]! += CHANGE_SHARE * sign * (values[n]![row]! - values[n]![rows]!);
      }
    }
    this.states.forEach((state, n) => {
      this.value.push(Float64Array.from(state.carried, (line) => values[n]![line]!));
      this.along.push(Float64Array.from(state.carried, (line) => ways[n]![line]!));
    });
  }

  /** The errors of rows whose fault lets the readings scatter otherwise; a reading taken asleep scatters as ever. */
  private ownErrors(asleep: boolean[]): Map<number, Errors> {
    const changed = new Map<number, Map<number, Float64Array>>();
    this.readings.forEach((one, n) => {
      if (asleep[n]) return;
      const state = this.states[n]!;
      const [plus, minus] = pair(state, one.plus, one.minus);
      state.spread.rows.forEach((row, at) => {
        const own = changed.get(row) ?? new Map<number, Float64Array>();
        changed.set(row, own);
        own.set(n, this.widened(ownSpread(state, at, plus, minus), n));
      });
    });
    return new Map([...changed].map(([row, own]) => [
      row, errorsOf(this.sound.map((sound, n) => own.get(n) ?? sound), this.readings),
    ]));
  }

  /**
   * Log density of all readings for every row and the sound machine; `line(row, n)` is the row that shows in
   * reading n, `asleep[n]` whether a sleeping fault was asleep in it.
   */
  logLikelihood(count: number, line: (row: number, n: number) => number, asleep: boolean[]): Float64Array {
    const own = this.ownErrors(asleep);
    const n = this.readings.length;
    const found = new Float64Array(count);
    const off = new Float64Array(n);
    const way = new Float64Array(n);
    for (let row = 0; row < count; row++) {
      for (let at = 0; at < n; at++) {
        const from = line(row, at);
        off[at] = this.readings[at]!.value - this.value[at]![from]!;
        way[at] = this.along[at]![from]!;
      }
      const errors = own.get(row) ?? this.errors;
      const normal = this.log(off, way, errors, 1);
      const wide = this.log(off, way, errors, WIDE);
      found[row] = addLogs(Math.log1p(-WIDE_SHARE) + normal, Math.log(WIDE_SHARE) + wide);
    }
    return found;
  }

  private log(off: Float64Array, way: Float64Array, errors: Errors, scale: number): number {
    const n = off.length;
    const { precision } = errors;
    const weighed = new Float64Array(n);
    const towards = new Float64Array(n);
    let alongAlong = 0;
    let offAlong = 0;
    let offOff = 0;
    for (let i = 0; i < n; i++) {
      for (let j = 0; j < n; j++) {
        weighed[i]! += off[j]! * precision[j * n + i]!;
        towards[i]! += way[j]! * precision[j * n + i]!;
      }
      alongAlong += way[i]! * towards[i]!;
      offAlong += off[i]! * towards[i]!;
      offOff += off[i]! * weighed[i]!;
    }
    const square = scale ** 2;
    const stretch = 1 + alongAlong / square;
    const shared = offAlong / square;
    const distance = offOff / square - shared ** 2 / stretch;
    const log = -0.5 * (
      distance + Math.log(stretch) + errors.logDeterminant + 2 * n * Math.log(scale) + n * Math.log(2 * Math.PI)
    );
    let oneWrong = 0;
    let noneWrong = 0;
    let allWrong = 0;
    for (let i = 0; i < n; i++) {
      const turned = towards[i]! / square;
      const own = Math.max(precision[i * n + i]! / square - turned ** 2 / stretch, 1e-12);
      const lean = weighed[i]! / square - turned * (shared / stretch);
      const alone = (-0.5 * lean ** 2) / own + 0.5 * Math.log(own / (2 * Math.PI));
      const wrong = this.wrong[i]!;
      oneWrong = addLogs(oneWrong, Math.log(wrong / (1 - wrong) / this.stray[i]!) - alone);
      noneWrong += Math.log1p(-wrong);
      allWrong += Math.log(wrong / this.stray[i]!);
    }
    return addLogs(log + noneWrong + oneWrong, allWrong);
  }
}
