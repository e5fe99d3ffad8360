// Numbers and results in words, as the server says them (quantities.py, diagnosis/outcomes.py).
import { say } from "../texts/say";
import type { Label } from "../twin/outcomes";
import type { Said } from "./said";

/** As diagnosis/outcomes.py and diagnosis/ohms.py. */
const NO_VOLTS = 0.5;
const NO_AMPS = 0.1;
const LOW_OHM = 0.3;
const OPEN_OHM = 5e6;

const VOLTS = [["uV", 1e-6], ["mV", 1e-3], ["V", 1], ["kV", 1e3]] as const;
const AMPS = [["nA", 1e-9], ["uA", 1e-6], ["mA", 1e-3], ["A", 1]] as const;
const OHMS = [["uohm", 1e-6], ["mohm", 1e-3], ["ohm", 1], ["kohm", 1e3], ["Mohm", 1e6]] as const;

/** A value to three digits with the prefix that fits. */
function shown(value: number, units: readonly (readonly [string, number])[]): string {
  const round = Math.abs(Number(value.toPrecision(3)));
  const [unit, factor] = [...units].reverse().find(([, one]) => round >= one * (1 - 1e-12)) ?? units[0]!;
  return `${Number((value / factor).toPrecision(3))} ${unit}`;
}

export function voltsSaid(value: number): string {
  return Math.abs(value) < 0.005 ? "0 V" : shown(Number(value.toFixed(2)), VOLTS);
}

function ampsSaid(value: number): string {
  return Math.abs(value) < 0.005 ? "0 A" : shown(Number(value.toFixed(2)), AMPS);
}

function ohmsSaid(value: number): string {
  return shown(Number(value.toPrecision(2)), OHMS);
}

function tenth(value: number): number {
  return Number(value.toFixed(1));
}

function voltsLabel(low: number, high: number): string {
  if (Math.max(Math.abs(low), Math.abs(high)) < NO_VOLTS) return say("belowValue", { value: voltsSaid(NO_VOLTS) });
  if (Math.min(Math.abs(low), Math.abs(high)) < NO_VOLTS) {
    return high > 0 ? say("belowValue", { value: voltsSaid(tenth(high)) })
      : say("fromTo", { from: voltsSaid(tenth(low)), to: "0 V" });
  }
  const middle = (low + high) / 2;
  if (high - low <= Math.max(0.3, 0.06 * Math.abs(middle))) return say("aboutValue", { value: voltsSaid(tenth(middle)) });
  return say("fromTo", { from: voltsSaid(tenth(low)), to: voltsSaid(tenth(high)) });
}

function ampsLabel(low: number, high: number): string {
  if (high < NO_AMPS) return say("belowValue", { value: ampsSaid(NO_AMPS) });
  if (low < NO_AMPS) return say("belowValue", { value: ampsSaid(tenth(high)) });
  if (high - low <= Math.max(0.2, 0.1 * high)) return say("aboutValue", { value: ampsSaid(tenth((low + high) / 2)) });
  return say("fromTo", { from: ampsSaid(tenth(low)), to: ampsSaid(tenth(high)) });
}

function ohmsLabel(low: number, high: number): string {
  if (low > OPEN_OHM) return say("overRangeOpen");
  if (high < LOW_OHM) return say("belowValue", { value: shown(LOW_OHM, OHMS) });
  if (high / Math.max(low, 1e-9) < 1.3) return say("aboutValue", { value: ohmsSaid(Math.sqrt(low * high)) });
  return say("fromTo", { from: ohmsSaid(low), to: high > OPEN_OHM ? say("overRange") : ohmsSaid(high) });
}

/** A result in the words a person would use. */
export function labelled(said: Said, one: Label): string {
  const level = (name: string, at: number) => said.functions[name]?.shown[at] ?? "";
  switch (one.kind) {
    case "volts":
      return voltsLabel(one.low, one.high);
    case "amps":
      return ampsLabel(one.low, one.high);
    case "ohms":
      return ohmsLabel(one.low, one.high);
    case "level":
      return level(one.function, one.level);
    case "lamp":
      return say((["lampDark", "lampDim", "lampLit"] as const)[one.level] ?? "lampLit");
    case "walk": {
      if (one.wrong.length === 0) return say("allRight");
      const named = one.wrong.map((each) => `${each.function} ${level(each.function, each.level)}`);
      return [...named, ...(one.more > 0 ? [say("moreOf", { n: one.more })] : [])].join(", ");
    }
    default:
      return say(({
        rest: "anythingElse", code: "codeActive", "no-code": "noCode", reacts: "itReacts", steady: "nothingChanges",
        bad: "badSeen", clean: "nothingBad",
      } as const)[one.kind]);
  }
}
