// A job's signature table as the phone holds it; the server makes it (service/phone_table.py).
import {
  alike, type Alike, doubles, type Lines, type Packed, picked, type Picked, places, type Places, whole,
} from "./arrays";
import type { Check, Found, Observation, Symptom } from "./observing";

export const FORMAT = "halfsplit-phone-table/2";

export interface Group {
  id: string;
  said: string;
  place: string;
  owner: string;
  zone: string;
  correction: string;
  minutes: number;
  success: number;
  steps: string[];
}

interface SentSpread {
  raw: Packed;
  deviation: Packed;
  elements: Packed;
  rows: Packed;
  row_deviation: Packed;
  places: Packed;
  place: Packed;
  weight: Packed;
  most: number;
}
interface SentState {
  points: string[];
  reference: string;
  volts: Alike;
  sound: Packed;
  spread: SentSpread;
  carried: [number, number][];
  parted: [[number, number][], [number, number][]];
  levels: Record<string, Picked>;
  codes: { controller: string; code: string; chance: Picked }[];
}
/** The table as it is sent. */
export interface Sent {
  format: string;
  job?: string;
  entries?: number;
  machine: string;
  system_v: number;
  row_fault: Packed;
  row_before: Packed;
  row_after: Packed;
  row_group: Packed;
  row_duty: Packed;
  faults: number;
  groups: Group[];
  log_prior: Packed;
  complaint: { symptoms: Symptom[]; comes_and_goes: boolean };
  functions: Record<string, Record<string, string>>;
  access: Record<string, number>;
  state_min: Record<string, number>;
  states: Record<string, SentState>;
  blown: [number, number][];
  lamps: { state: string; plus: string; minus: string; chances: Picked }[];
  amps: { state: string; plus: string; value: Alike; spread_a: number; span_a: number }[];
  ohms: { state: string; plus: string; minus: string; unplugged: string[]; scale: Picked; sigma: Picked }[];
  apart: { state: string; function: string; unplugged: string[]; levels: Picked }[];
  kept: { observation: Observation; likely: Picked; other: number }[];
  sights: { kind: string; place: string; faults: number[]; sees: number[]; hidden: number[] }[];
  cures: { action: string; place: string; faults: number[]; chances: number[] }[];
  checks: Partial<Check>[];
  rounds: Record<string, string[]>;
  found: { observation: Observation; check: Partial<Check> | null }[];
  open_steps: string[];
  left: Record<string, number>;
}

/** How the voltages of one state scatter, see service/phone_volts.py. */
export interface Spread {
  elements: Int32Array;
  raw: Float64Array;
  deviation: Float64Array;
  rows: Int32Array;
  rowDeviation: Float64Array;
  places: Float64Array;
  place: Int32Array;
  weight: Float64Array;
  width: number;
  most: number;
}
export interface State {
  name: string;
  point: Map<string, number>;
  reference: string;
  volts: Float32Array[];
  sound: Float64Array;
  spread: Spread;
  /** The line that tells what each row looks like in this state, the sound machine last. */
  carried: Int32Array;
  /** The rows before and after each in severity, itself where a fuse blows between the two. */
  before: Int32Array;
  after: Int32Array;
  levels: Map<string, Places>;
  codes: Map<string, Places>;
}
export interface Amps {
  value: Float64Array;
  spread: number;
  span: number;
}
export interface Ohms {
  scale: Lines;
  sigma: Lines;
}
export interface Sight {
  faults: number[];
  sees: number[];
  hidden: number[];
}
export interface Cure {
  faults: number[];
  chances: number[];
}

export interface Table {
  machine: string;
  systemV: number;
  rows: number;
  faults: number;
  rowFault: Int32Array;
  rowBefore: Int32Array;
  rowAfter: Int32Array;
  rowGroup: Int32Array;
  rowDuty: Float64Array;
  groups: Group[];
  logPrior: Float64Array;
  complaint: { symptoms: Symptom[]; comesAndGoes: boolean };
  functions: Record<string, Record<string, string>>;
  access: Record<string, number>;
  stateMin: Record<string, number>;
  states: Map<string, State>;
  /** The row of the fuse alone that each row blows in a state of the complaint; `rows` for none. */
  blown: Int32Array;
  lamps: Map<string, Places>;
  amps: Map<string, Amps>;
  ohms: Map<string, Ohms>;
  apart: Map<string, Lines>;
  kept: Map<string, { likely: Places; other: number }>;
  sights: Map<string, Sight>;
  cures: Map<string, Cure>;
  checks: Check[];
  rounds: Record<string, string[]>;
  found: Found[];
  openSteps: string[];
  left: Record<string, number>;
}

/** One name made of several. */
export function key(...parts: readonly string[]): string {
  return JSON.stringify(parts);
}

export function checkOf(sent: Partial<Check>): Check {
  return {
    id: "", kind: "", place: "", zone: "", steps: [], minutes: 0, state: "", function: "", plus: "", minus: "",
    look: "", controller: "", code: "", unplugged: [], ...sent,
  };
}

function lines(count: number, usual: (row: number) => number, moved: [number, number][]): Int32Array {
  const found = Int32Array.from({ length: count }, (_, row) => usual(row));
  for (const [row, line] of moved) found[row] = line;
  return found;
}

function stateOf(name: string, sent: SentState, rows: number, before: Int32Array, after: Int32Array): State {
  const { spread, parted } = sent;
  return {
    name,
    point: new Map(sent.points.map((one, at) => [one, at])),
    reference: sent.reference,
    volts: alike(sent.volts),
    sound: doubles(sent.sound),
    spread: {
      elements: whole(spread.elements),
      raw: doubles(spread.raw),
      deviation: doubles(spread.deviation),
      rows: whole(spread.rows),
      rowDeviation: doubles(spread.row_deviation),
      places: doubles(spread.places),
      place: whole(spread.place),
      weight: doubles(spread.weight),
      width: spread.place.shape[1] ?? 0,
      most: spread.most,
    },
    carried: lines(rows + 1, (row) => row, sent.carried),
    before: lines(rows, (row) => before[row]!, parted[0]),
    after: lines(rows, (row) => after[row]!, parted[1]),
    levels: new Map(Object.entries(sent.levels).map(([one, given]) => [one, places(given, 3)])),
    codes: new Map(sent.codes.map((one) => [key(one.controller, one.code), places(one.chance, 1)])),
  };
}

/** The table as it is worked with. Throws when it is of another format. */
export function tableOf(sent: Sent): Table {
  if (sent.format !== FORMAT) throw new Error(`a table of the format ${sent.format}`);
  const rowFault = whole(sent.row_fault);
  const rows = rowFault.length;
  const rowBefore = whole(sent.row_before);
  const rowAfter = whole(sent.row_after);
  return {
    machine: sent.machine,
    systemV: sent.system_v,
    rows,
    faults: sent.faults,
    rowFault,
    rowBefore,
    rowAfter,
    rowGroup: whole(sent.row_group),
    rowDuty: doubles(sent.row_duty),
    groups: sent.groups,
    logPrior: doubles(sent.log_prior),
    complaint: { symptoms: sent.complaint.symptoms, comesAndGoes: sent.complaint.comes_and_goes },
    functions: sent.functions,
    access: sent.access,
    stateMin: sent.state_min,
    states: new Map(Object.entries(sent.states).map(([name, one]) => [
      name, stateOf(name, one, rows, rowBefore, rowAfter),
    ])),
    blown: lines(rows, () => rows, sent.blown),
    lamps: new Map(sent.lamps.map((one) => [key(one.state, one.plus, one.minus), places(one.chances, 3)])),
    amps: new Map(sent.amps.map((one) => [
      key(one.state, one.plus),
      { value: Float64Array.from(alike(one.value)[0]!), spread: one.spread_a, span: one.span_a },
    ])),
    ohms: new Map(sent.ohms.map((one) => [
      key(one.state, one.plus, one.minus, ...one.unplugged), { scale: picked(one.scale), sigma: picked(one.sigma) },
    ])),
    apart: new Map(sent.apart.map((one) => [key(one.state, one.function, ...one.unplugged), picked(one.levels)])),
    kept: new Map(sent.kept.map((one) => [named(one.observation), { likely: places(one.likely, 1), other: one.other }])),
    sights: new Map(sent.sights.map((one) => [key(one.kind, one.place), one])),
    cures: new Map(sent.cures.map((one) => [key(one.action, one.place), one])),
    checks: sent.checks.map(checkOf),
    rounds: sent.rounds,
    found: sent.found.map((one) => ({ observation: one.observation, check: one.check && checkOf(one.check) })),
    openSteps: sent.open_steps,
    left: sent.left,
  };
}

/** An observation as one text, the same for the same observation. */
export function named(observation: Observation): string {
  return JSON.stringify(Object.entries(observation).sort(([one], [other]) => (one < other ? -1 : 1)));
}
