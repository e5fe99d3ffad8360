// Everything observed so far, turned into likelihoods and kept by epoch (diagnosis/evidence.py, single faults).
import { column, type Lines, type Places } from "./arrays";
import { apart, Epoch, pointOf, type Electrical, type Found, type Observation, type Reading, type Symptom } from "./observing";
import { key, named, type State, type Table } from "./table";
import { Block, GRADE_SHARE, NotInTable, OUTLIER_FLOOR, readingSigma, span, strayWidth, voltsOf, wrongPin } from "./volts";

/** As diagnosis/evidence.py. */
export const FALSE_FIND = 0.05;
export const FALSE_MOVE = 0.03;
export const SAID_SLEEPS = [0.8, 0.08] as const;
export const NEW_LOOK = 0.4;
const AGAIN = 0.5;
const ELSE_FIND = 0.1;
/** As diagnosis/likelihood.py. */
const CODE_WRONG = 0.03;
const TAIL_SHARE = 0.2;
const TAIL_WIDTH = 3.0;
const NOTICED_CHANGE = 0.5;
/** As diagnosis/lamps.py, diagnosis/clamps.py and diagnosis/ohms.py. */
const LAMP_MISREAD = 0.03;
export const CLAMP_SHARE = 0.02;
export const CLAMP_A = 0.05;
const OVER_RANGE_OHM = 20e6;
const LEADS_OHM = 0.1;
const OHMS_SPAN = 9.0;

/** One observation weighed: likelihood of every row and the sound machine, and of something else. */
export interface Weighed {
  /** At each place where a severity may lie, or once where all are alike. */
  at: Float64Array[];
  other: number;
}
export interface BlockTerms {
  steady: Float64Array;
  sleeping: Float64Array;
  flat: number;
}
export interface Chances {
  there: Float64Array;
  absent: number;
  flat: number;
}

function clip(value: number, low: number, high: number): number {
  return Math.min(Math.max(value, low), high);
}

function density(value: number, predicted: number, sigma: number, spread: number, wrong: number): number {
  const z = (value - predicted) / sigma;
  const wide = z / TAIL_WIDTH;
  const right = (1 - TAIL_SHARE) * Math.exp(-0.5 * z * z) + (TAIL_SHARE / TAIL_WIDTH) * Math.exp(-0.5 * wide * wide);
  return (1 - wrong) * (right / (sigma * Math.sqrt(2 * Math.PI))) + wrong / spread;
}

/** Likelihood of a level seen, for chances of off, weak and on [rows + 1] with the sound machine last. */
function levelLikelihood(one: Symptom, chances: Lines): Float64Array {
  const right = one.reliability;
  const rows = chances.which.length;
  const healthy = [0, 1, 2].map((at) => chances.lines[chances.which[rows - 1]! * 3 + at]!);
  const at = { off: 0, weak: 1, on: 2, "comes-and-goes": -1 }[one.level];
  // Few lines differ, so each is weighed once.
  const likely = new Float64Array(chances.lines.length / 3);
  for (let line = 0; line < likely.length; line++) {
    if (at < 0) {
      let alike = 0;
      for (let k = 0; k < 3; k++) alike += chances.lines[line * 3 + k]! * healthy[k]!;
      likely[line] = clip(right * (1 - alike) * NOTICED_CHANGE, 0.01, 1);
    } else {
      const hit = chances.lines[line * 3 + at]!;
      likely[line] = clip(right * hit + 0.5 * (1 - right) * (1 - hit), 0.5 * OUTLIER_FLOOR, 1);
    }
  }
  return Float64Array.from(chances.which, (line) => likely[line]!);
}

/** The likelihood by row that `weigh` makes of chances, at each place or once. */
function likelyAt(of: Places, weigh: (lines: Lines) => Float64Array): Float64Array[] {
  return (of.at ?? [of.anywhere]).map((lines) => weigh(lines));
}

export class Evidence {
  epochs: Epoch[] = [new Epoch()];
  unreachable = new Set<string>();
  private readonly weighed = new Map<string, Weighed>();
  private readonly blocks = new Map<string, BlockTerms>();

  constructor(readonly table: Table) {
    for (const one of table.complaint.symptoms) this.add(one);
  }

  get last(): Epoch {
    return this.epochs[this.epochs.length - 1]!;
  }

  state(name: string): State {
    const found = this.table.states.get(name);
    if (!found) throw new NotInTable(`the state ${name}`);
    return found;
  }

  /** Takes one more observation. Throws NotInTable, and has then taken nothing. */
  add(one: Observation): void {
    const epoch = this.last;
    switch (one.kind) {
      case "reading": {
        this.weigh(one);
        const at = pointOf(one);
        const known = epoch.repeats.get(at);
        if (known) known.values.push(one.value);
        else epoch.repeats.set(at, { reading: { ...one, value: 0 }, values: [one.value] });
        break;
      }
      case "symptom":
        this.weigh(one);
        (apart(one) ? epoch.apart : epoch.electrical).push(one);
        break;
      case "code":
        this.weigh(one);
        epoch.electrical.push(one);
        break;
      case "look":
        epoch.looks.push(one);
        break;
      case "move":
        epoch.moves.push(one);
        break;
      case "action":
        epoch.endedBy = one;
        this.epochs.push(new Epoch());
        break;
      case "out-of-reach":
        this.unreachable.add(one.check);
    }
  }

  /** The likelihood of an electrical observation for every row, the sound machine last. */
  weigh(one: Electrical): Weighed {
    const name = named(one);
    let found = this.weighed.get(name);
    if (!found) {
      found = this.weighedAnew(one, name);
      this.weighed.set(name, found);
    }
    return found;
  }

  private weighedAnew(one: Electrical, name: string): Weighed {
    const kept = this.table.kept.get(name);
    if (kept) return { at: likelyAt(kept.likely, column), other: kept.other };
    if (one.kind === "reading" && one.quantity === "ohms") {
      return { at: [this.ohms(one)], other: 1 / OHMS_SPAN };
    }
    if (apart(one)) return this.withApart(one);
    const { carried } = this.state(one.state);
    const at = this.rows(one).map((likely) => Float64Array.from(carried, (line) => likely[line]!));
    return { at, other: this.flat(one) };
  }

  private flat(one: Electrical): number {
    if (one.kind === "symptom") return 1 / 3;
    if (one.kind === "code") return one.active ? ELSE_FIND : 1 - ELSE_FIND;
    if (one.quantity === "lamp") return 1 / 3;
    if (one.quantity === "amps") return 1 / this.amps(one).span;
    return 1 / span(this.table);
  }

  private rows(one: Electrical): Float64Array[] {
    const state = this.state(one.state);
    if (one.kind === "symptom") {
      return likelyAt(this.placesOf(one.function, one.state), (levels) => levelLikelihood(one, levels));
    }
    if (one.kind === "code") {
      const chance = state.codes.get(key(one.controller, one.code));
      if (!chance) throw new NotInTable(`the code ${one.code}`);
      return likelyAt(chance, (of) => column(of).map((active) => {
        const hit = one.active ? active : 1 - active;
        return (1 - CODE_WRONG) * hit + CODE_WRONG * (1 - hit);
      }));
    }
    if (one.quantity === "lamp") {
      const chances = this.table.lamps.get(key(one.state, one.plus, one.minus || state.reference));
      if (!chances) throw new NotInTable(`a lamp at ${one.plus}`);
      const at = clip(Math.round(one.value), 0, 2);
      return likelyAt(chances, (of) =>
        column(of, at).map((seen) => (1 - LAMP_MISREAD) * seen + LAMP_MISREAD / 3));
    }
    if (one.quantity === "amps") {
      const known = this.amps(one);
      const sigma = this.ampsSigma(known, state);
      return [known.value.map((value, row) =>
        density(Math.abs(one.value), value, sigma[row]!, known.span, OUTLIER_FLOOR))];
    }
    const value = voltsOf(state, one.plus, one.minus);
    const sigma = readingSigma(this.table, state, value, one.plus, one.minus);
    const stray = strayWidth(this.table, state, one);
    return [value.map((volts, row) => density(one.value, volts, sigma[row]!, stray, wrongPin(one)))];
  }

  private amps(one: Reading) {
    const known = this.table.amps.get(key(one.state, one.plus));
    if (!known) throw new NotInTable(`a clamp around ${one.plus}`);
    return known;
  }

  private ampsSigma(known: { value: Float64Array; spread: number }, { before, after }: State): Float64Array {
    const { rows } = this.table;
    return known.value.map((value, row) => {
      let grade = 0;
      if (row < rows) {
        const gap = Math.abs(known.value[before[row]!]! - value) + Math.abs(known.value[after[row]!]! - value);
        grade = GRADE_SHARE * 0.5 * gap;
      }
      return Math.sqrt((CLAMP_A + CLAMP_SHARE * value) ** 2 + known.spread ** 2 + grade ** 2);
    });
  }

  private ohms(one: Reading): Float64Array {
    const state = this.state(one.state);
    const known = this.table.ohms.get(key(one.state, one.plus, one.minus || state.reference, ...one.unplugged));
    if (!known) throw new NotInTable(`ohms between ${one.plus} and ${one.minus}`);
    const { rows, rowBefore, rowAfter } = this.table;
    const scale = column(known.scale);
    const own = column(known.sigma);
    const value = Math.log10(clip(one.value, 0, OVER_RANGE_OHM) + LEADS_OHM);
    return scale.map((expected, row) => {
      const grade = row < rows ? Math.abs(scale[rowAfter[row]!]! - scale[rowBefore[row]!]!) : 0;
      return density(value, expected, Math.hypot(own[row]!, 0.5 * GRADE_SHARE * grade), OHMS_SPAN, OUTLIER_FLOOR);
    });
  }

  private withApart(one: Electrical): Weighed {
    if (one.kind === "symptom") {
      const levels = this.table.apart.get(key(one.state, one.function, ...[...(one.unplugged ?? [])].sort()));
      if (levels) return { at: [levelLikelihood(one, levels)], other: 1 / 3 };
    }
    throw new NotInTable("what is seen or read with a connector apart");
  }

  rowLevels(name: string, state: string): Lines {
    return this.placesOf(name, state).anywhere;
  }

  private placesOf(name: string, state: string): Places {
    const found = this.state(state).levels.get(name);
    if (!found) throw new NotInTable(`the function ${name}`);
    return found;
  }

  /** How far a function strays from the sound machine's for every row, 0 to 2. */
  strays(name: string, state: string): Float64Array {
    const levels = this.rowLevels(name, state);
    const { carried } = this.state(state);
    const sound = levels.which[levels.which.length - 1]! * 3;
    const found = new Float64Array(carried.length);
    for (let row = 0; row < found.length; row++) {
      const from = levels.which[carried[row]!]! * 3;
      for (let k = 0; k < 3; k++) found[row]! += Math.abs(levels.lines[from + k]! - levels.lines[sound + k]!);
    }
    return found;
  }

  /** The line that tells what a sleeping row looks like while it sleeps. */
  asleepLine(epoch: Epoch): (row: number) => number {
    if (epoch !== this.epochs[0]) return () => this.table.rows;
    return (row) => this.table.blown[row]!;
  }

  /** Log likelihood of an epoch's voltage readings: steady, sleeping, and under something else. */
  blockTerms(epoch: Epoch): BlockTerms {
    const chosen = epoch.volts();
    const { rows, rowDuty } = this.table;
    if (chosen.length === 0) {
      return { steady: new Float64Array(rows + 1), sleeping: new Float64Array(rows), flat: 0 };
    }
    const name = JSON.stringify([chosen, epoch === this.epochs[0]]);
    const made = this.blocks.get(name);
    if (made) return made;
    const state = (one: string) => this.state(one);
    const asleepLine = this.asleepLine(epoch);
    const whole = new Block(this.table, chosen, state);
    const steady = whole.logLikelihood(rows + 1, (row) => row, chosen.map(() => false));
    const sleeping = new Float64Array(rows);
    const known = chosen.map((_, at) => at).filter((at) => chosen[at]!.showing !== "unknown");
    if (known.length > 0) {
      const part = known.length === chosen.length ? whole : new Block(this.table, known.map((at) => chosen[at]!), state);
      const asleep = known.map((at) => chosen[at]!.showing === "no");
      const log = part.logLikelihood(rows, (row, n) => (asleep[n] ? asleepLine(row) : row), asleep);
      for (let row = 0; row < rows; row++) sleeping[row]! += log[row]!;
    }
    for (const one of chosen) {
      if (one.showing !== "unknown") continue;
      const [likely] = this.weigh(one).at;
      for (let row = 0; row < rows; row++) {
        const duty = rowDuty[row]!;
        sleeping[row]! += Math.log(duty * likely![row]! + (1 - duty) * likely![asleepLine(row)]!);
      }
    }
    const found = { steady, sleeping, flat: -chosen.length * Math.log(span(this.table)) };
    this.blocks.set(name, found);
    return found;
  }

  /** Chance of each fault to be gone after the work that ended an epoch. */
  cures(number: number): Float64Array {
    const found = new Float64Array(this.table.faults);
    const work = this.epochs[number]?.endedBy;
    if (!work) return found;
    const again = this.epochs.slice(0, number)
      .some((one) => one.endedBy?.action === work.action && one.endedBy.place === work.place);
    const known = this.table.cures.get(key(work.action, work.place));
    known?.faults.forEach((fault, at) => {
      found[fault] = known.chances[at]! * (again ? AGAIN : 1);
    });
    return found;
  }

  /** Log likelihood of an epoch's looks: for each fault that is there, for nothing there, and flat. */
  lookChances(epoch: Epoch): Chances {
    const there = new Float64Array(this.table.faults);
    let absent = 0;
    let flat = 0;
    const counts = new Map<string, { kind: string; place: string; found: number; missed: number }>();
    for (const one of epoch.looks) {
      const name = key(one.look, one.place);
      const count = counts.get(name) ?? { kind: one.look, place: one.place, found: 0, missed: 0 };
      count[one.found ? "found" : "missed"] += 1;
      counts.set(name, count);
    }
    for (const { kind, place, found, missed } of counts.values()) {
      const clean = found * Math.log(FALSE_FIND) + missed * Math.log(1 - FALSE_FIND);
      absent += clean;
      flat += found * Math.log(ELSE_FIND) + missed * Math.log(1 - ELSE_FIND);
      for (let fault = 0; fault < there.length; fault++) there[fault]! += clean;
      const sight = this.table.sights.get(key(kind, place));
      sight?.faults.forEach((fault, at) => {
        const hidden = sight.hidden[at]!;
        const sees = sight.sees[at]!;
        const seen = (1 - hidden) * sees ** found * (1 - sees) ** missed;
        there[fault]! += Math.log(seen + hidden * Math.exp(clean)) - clean;
      });
    }
    return { there, absent, flat };
  }

  /** The same for places moved while a function was watched; a sleeping fault reacts. */
  moveChances(epoch: Epoch, sleeps: boolean): Chances {
    const there = new Float64Array(this.table.faults);
    let absent = 0;
    let flat = 0;
    for (const { place, changed } of epoch.moves) {
      const clean = Math.log(changed ? FALSE_MOVE : 1 - FALSE_MOVE);
      absent += clean;
      flat += Math.log(changed ? ELSE_FIND : 1 - ELSE_FIND);
      for (let fault = 0; fault < there.length; fault++) there[fault]! += clean;
      const sight = this.table.sights.get(key("move", place));
      sight?.faults.forEach((fault, at) => {
        const chance = sight.sees[at]! * (sleeps ? 1 : 0.25);
        there[fault]! += Math.log(changed ? chance : 1 - chance) - clean;
      });
    }
    return { there, absent, flat };
  }
}

export function takeAll(table: Table, found: readonly Found[]): Evidence {
  const evidence = new Evidence(table);
  for (const one of found) evidence.add(one.observation);
  return evidence;
}
