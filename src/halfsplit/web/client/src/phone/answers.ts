// What a tap wrote down, as observations: what the server makes of the same text (service/typed.py, service/walking.py,
// service/found.py).
import { checkOf, type Hunt } from "../twin";
import type { Check, Found, Observation, Showing, Symptom } from "../twin/observing";
import { LEVELS } from "../twin/outcomes";
import type { Said } from "./said";

/** As observations.RELIABILITY_TECHNICIAN. */
const SEEN_MYSELF = 0.99;
const UNITS: Record<string, number> = { V: 1, mV: 1e-3, A: 1, mA: 1e-3, ohm: 1, kohm: 1e3, Mohm: 1e6 };
const LAMP = ["dark", "dim", "lit"];
const CLEAN = ["ok", "dry"];

/** What was written down has a form that only the server reads. */
export class NotUnderstood extends Error {}

/** What a finding that waits says. Throws NotUnderstood. */
export function foundIn(hunt: Hunt, said: Said, content: Record<string, unknown>): Found[] {
  const text = String(content.answer ?? "");
  if (content.repair) return repaired(hunt, said, String(content.repair), text);
  if (content.function) {
    const state = String(content.state);
    const check = operating(hunt, said, String(content.function), state);
    return [{ observation: levelSeen(said, check, text, "unknown"), check }];
  }
  const id = String(content.check);
  const known = said.checks[id] && hunt.table.checks.find((one) => one.id === id);
  if (!known) throw new NotUnderstood(id);
  if (text === "can't reach") return [{ observation: { kind: "out-of-reach", check: id, reason: "" }, check: known }];
  if (known.kind === "round") return walked(hunt, said, known, text);
  const [, plain = "", word] = /^(.*?)(?:, (showing|away))?$/.exec(text) ?? [];
  const showing: Showing = word === "showing" ? "yes" : word === "away" ? "no" : "unknown";
  const observation = seen(said, known, plain, showing);
  const own = ["operate", "watch"].includes(known.kind);
  const beside = observation.kind === "reading" ? watched(hunt, known, showing) : [];
  const apart = known.look === "thorough" ? [known.place] : known.unplugged;
  return [
    ...beside.map((one) => ({ observation: one, check: null })),
    { observation, check: own || observation.kind !== "symptom" ? known : null },
    ...apart.filter((one) => said.connectors.includes(one)).map((place): Found => ({
      observation: { kind: "action", action: "unplug-refit", place, note: "" }, check: null,
    })),
  ];
}

function operating(hunt: Hunt, said: Said, name: string, state: string): Check {
  const id = `operate ${name} in ${state}`;
  const minutes = said.functions[name]?.minutes ?? 0;
  return hunt.table.checks.find((one) => one.id === id)
    ?? checkOf({ id, kind: "operate", function: name, state, minutes });
}

function symptom(name: string, state: string, level: Symptom["level"], showing: Showing, apart: string[] = []): Symptom {
  return {
    kind: "symptom", function: name, state, level, reliability: SEEN_MYSELF, showing,
    ...(apart.length > 0 && { unplugged: apart }),
  };
}

function levelOf(said: Said, name: string, word: string): Symptom["level"] {
  if (word === "comes and goes") return "comes-and-goes";
  const at = said.functions[name]?.words.indexOf(word) ?? -1;
  const level = LEVELS[at];
  if (!level) throw new NotUnderstood(word);
  return level;
}

function levelSeen(said: Said, check: Check, word: string, showing: Showing): Symptom {
  return symptom(check.function, check.state, levelOf(said, check.function, word), showing, check.unplugged);
}

function measured(text: string): number {
  if (text === "OL") return Infinity;
  const [, number = "", unit = ""] = /^(-?[\d.]+) (\w+)$/.exec(text) ?? [];
  const factor = UNITS[unit];
  if (!factor || number === "") throw new NotUnderstood(text);
  return Number(number) * factor;
}

function seen(said: Said, check: Check, plain: string, showing: Showing): Observation {
  const { plus, state, unplugged, place } = check;
  const read = { kind: "reading", plus, state, showing } as const;
  switch (check.kind) {
    case "operate":
    case "watch":
      return levelSeen(said, check, plain, showing);
    case "volts":
    case "drop":
      return { ...read, quantity: "volts", minus: check.minus, value: measured(plain), unplugged };
    case "lamp": {
      const value = LAMP.indexOf(plain);
      if (value < 0) throw new NotUnderstood(plain);
      return { ...read, quantity: "lamp", minus: check.minus, value, unplugged: [] };
    }
    case "amps":
      return { ...read, quantity: "amps", minus: "", value: Math.abs(measured(plain)), unplugged: [] };
    case "ohms":
      return { ...read, quantity: "ohms", minus: check.minus, value: measured(plain), unplugged };
    case "code":
      return { kind: "code", controller: check.controller, code: check.code, state, active: plain === "code", showing };
    case "move":
      return { kind: "move", place, function: "", state: "", changed: plain === "reacts", showing };
    default: {
      const look = check.look as "closed" | "thorough" | "by-eye" | "along";
      return { kind: "look", look, place, found: !CLEAN.includes(plain), what: plain === "ok" ? "" : plain, showing };
    }
  }
}

/** What the complaint's own function did just then, when it was said whether the fault was showing. */
function watched(hunt: Hunt, check: Check, showing: Showing): Symptom[] {
  if (showing === "unknown") return [];
  const one = hunt.watched().find((told) => told.state === check.state && told.level !== "comes-and-goes");
  if (!one) return [];
  const good = (hunt.table.functions[one.function]?.[check.state] ?? "on") === "on" ? "on" : "off";
  return [symptom(one.function, one.state, showing === "yes" ? one.level : good, "unknown")];
}

function walked(hunt: Hunt, said: Said, check: Check, text: string): Found[] {
  const told = new Map<string, string>();
  for (const piece of text === "all right" ? [] : text.split(", ")) {
    const space = piece.indexOf(" ");
    told.set(piece.slice(0, space), piece.slice(space + 1));
  }
  const found: Found[] = [];
  for (const name of hunt.table.rounds[check.state] ?? []) {
    const word = told.get(name);
    told.delete(name);
    if (word === "not seen") continue;
    const expected = hunt.table.functions[name]?.[check.state] as Symptom["level"];
    const level = word === undefined ? expected : levelOf(said, name, word);
    found.push({ observation: symptom(name, check.state, level, "unknown"), check });
  }
  if (told.size > 0 || found.length === 0) throw new NotUnderstood(text);
  return found;
}

function repaired(hunt: Hunt, said: Said, id: string, text: string): Found[] {
  const group = hunt.table.groups.find((one) => one.id === id);
  if (!group) throw new NotUnderstood(id);
  if (text === "can't reach") return [{ observation: { kind: "out-of-reach", check: id, reason: "" }, check: null }];
  const work: Found = {
    observation: { kind: "action", action: group.correction, place: group.place, note: "" }, check: null,
  };
  if (text === "done") return [work];
  if (text !== "mended" && text !== "not mended") throw new NotUnderstood(text);
  const tried = hunt.table.complaint.symptoms.map((one): Found => {
    const good = (hunt.table.functions[one.function]?.[one.state] ?? "on") === "on" ? "on" : "off";
    const level = text === "mended" ? good : one.level;
    return {
      observation: symptom(one.function, one.state, level, "unknown"),
      check: operating(hunt, said, one.function, one.state),
    };
  });
  return [work, ...tried];
}
