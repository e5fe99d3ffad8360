// Where a job stands by what this phone knows: the table it carries, what the server had, and what waits to be sent.
import type { Queued } from "../queue";
import type { NextStep, OutcomeLine, Step, Suspect, Working, ZoneSpot } from "../server";
import { say } from "../texts/say";
import { Hunt } from "../twin";
import type { Option } from "../twin/hunt";
import type { Check, Found } from "../twin/observing";
import { Outcomes } from "../twin/outcomes";
import type { Table } from "../twin/table";
import { NotInTable } from "../twin/volts";
import { foundIn, NotUnderstood } from "./answers";
import type { Said } from "./said";
import { labelled } from "./words";

/** As service/working.py and diagnosis/explaining.py. */
const WORTH_LISTING = 0.01;
const MOST_LISTED = 8;
const MOST_IN_ZONE = 3;
const VERIFY_MIN = 3;

/** What the server had when it was asked last. */
export interface Had {
  entries: number;
  found: Found[];
  numbers: number[];
  open_steps: string[];
}
export interface Standing {
  working: Working;
  /** All suspects, likeliest first. */
  suspects: Suspect[];
  /** Odds by zone, and its likeliest suspects. */
  zones: Record<string, { odds: number; suspects: ZoneSpot["suspects"] }>;
  /** So many findings cannot be weighed here: they count when the server has them. */
  unweighed: number;
}

/** How the job stands. Throws NotInTable when the table does not go with what the server had. */
export function standing(table: Table, said: Said, had: Had, base: Working, queued: Queued[], other: number): Standing {
  const hunt = new Hunt({ ...table, found: kept(had, queued), openSteps: had.open_steps });
  const taken = new Set(queued.filter((one) => one.path === "undo").map((one) => String(fields(one).of ?? "")));
  let minutes = 0;
  let unweighed = 0;
  for (const one of queued) {
    if (one.refused || one.path === "undo" || taken.has(one.sending)) continue;
    if (one.path !== "findings") continue;
    try {
      const before = new Set(hunt.openSteps);
      const state = hunt.state;
      const found = foundIn(hunt, said, fields(one));
      for (const each of found) hunt.take(each);
      minutes += spent(hunt, said, fields(one), found, state);
      const work = fields(one).repair && found[0]?.observation.kind === "action";
      const steps = work ? hunt.table.groups.find((group) => group.id === fields(one).repair)?.steps ?? [] : [];
      for (const step of steps) hunt.openSteps.add(step);
      for (const step of hunt.openSteps) if (!before.has(step)) minutes += said.access[step]?.open_min ?? 0;
    } catch (error) {
      if (!(error instanceof NotInTable || error instanceof NotUnderstood)) throw error;
      unweighed += 1;
    }
  }
  const sent = queued.filter((one) => !one.refused).length;
  const head = {
    ...base.next.head,
    minutes: base.next.head.minutes + minutes,
    entries: base.next.head.entries + sent,
  };
  const suspects = suspectsOf(hunt, said);
  const next = nextOf(hunt, said, head, suspects, other);
  const working: Working = {
    next: next.step,
    asked: next.asked,
    open_now: [...hunt.openSteps].map((step) => said.access[step]?.name ?? step),
    recorded: [],
    repeated: false,
    contradictions: base.contradictions ?? [],
  };
  return { working, suspects, zones: zonesOf(hunt), unweighed };
}

function fields(one: Queued): Record<string, unknown> {
  return one.content as Record<string, unknown>;
}

/** What the server had, without what was taken back since; an entry of a walk goes with all of that walk. */
function kept(had: Had, queued: Queued[]): Found[] {
  const gone = new Set<number>();
  for (const one of queued) {
    const entry = one.path === "undo" ? fields(one).entry : undefined;
    const at = had.numbers.findIndex((number) => number === entry);
    if (at < 0) continue;
    gone.add(at);
    const walk = had.found[at]?.check;
    if (walk?.kind !== "round") continue;
    for (const step of [-1, 1]) {
      for (let next = at + step; had.found[next]?.check?.id === walk.id; next += step) gone.add(next);
    }
  }
  return had.found.filter((_, at) => !gone.has(at));
}

/** Minutes that the server will write beside a finding. */
function spent(hunt: Hunt, said: Said, content: Record<string, unknown>, found: Found[], before: string): number {
  if (found.every((one) => one.observation.kind === "out-of-reach")) return 0;
  if (typeof content.minutes === "number") return content.minutes;
  const told = said.checks[String(content.check)] ?? said.repairs[String(content.repair)];
  const check = found.find((one) => one.check)?.check;
  const state = check?.state ?? "";
  const setting = state && state !== before ? hunt.table.stateMin[state] ?? 0 : 0;
  return (told?.step.minutes.own ?? check?.minutes ?? 0) + setting + (content.repair && found.length > 1 ? VERIFY_MIN : 0);
}

function suspectsOf(hunt: Hunt, said: Said): Suspect[] {
  const { table, belief } = hunt;
  return [...belief.groupOdds.keys()].sort((a, b) => belief.groupOdds[b]! - belief.groupOdds[a]! || a - b).slice(0, 20)
    .map((at) => {
      const group = table.groups[at]!;
      return {
        group: group.id, odds: belief.groupOdds[at]!, repair: group.said, text: said.repairs[group.id]?.text ?? "",
        place: group.owner, zone: said.zones[group.zone] ?? group.zone, minutes: group.minutes,
      };
    });
}

function zonesOf(hunt: Hunt): Standing["zones"] {
  const found: Standing["zones"] = {};
  const { groupOdds } = hunt.belief;
  const order = [...groupOdds.keys()].sort((a, b) => groupOdds[b]! - groupOdds[a]! || a - b);
  for (const at of order) {
    const group = hunt.table.groups[at]!;
    const zone = (found[group.zone] ??= { odds: 0, suspects: [] });
    zone.odds += groupOdds[at]!;
    if (groupOdds[at]! >= WORTH_LISTING && zone.suspects.length < MOST_IN_ZONE) {
      zone.suspects.push({ group: group.id, repair: group.said, odds: groupOdds[at]! });
    }
  }
  for (const zone of Object.values(found)) zone.odds = Math.min(zone.odds, 1);
  return found;
}

function nextOf(
  hunt: Hunt, said: Said, head: NextStep["head"], suspects: Suspect[], other: number,
): { step: NextStep; asked: Working["asked"] } {
  const decision = hunt.next();
  const options = decision.kind === "finish" ? []
    : [decision.best, ...decision.others].filter((one): one is Option => one !== null && toldOf(said, one) !== undefined);
  const chosen = options[Math.min(other, options.length - 1)];
  const ended = decision.kind === "finish" ? "finish" : "hand over";
  const kind = chosen ? (chosen.repair ? "repair" : "check") : ended;
  const words = chosen ? "" : say(ended === "finish" ? "endsHere" : "noMoreHere");
  const rest = options.filter((one) => one !== chosen);
  return {
    step: {
      head, kind, words,
      reason: chosen ? say("reasonHere") : "",
      step: chosen ? stepOf(hunt, said, chosen) : null,
      others: rest.slice(0, 4).map((one) => ({
        kind: one.repair ? "repair" : "check",
        id: idOf(one),
        short: toldOf(said, one)!.step.short,
        minutes: one.minutes,
        more_minutes: one.minutes - (chosen?.minutes ?? 0),
      })),
      suspects: suspects.filter((one) => one.odds >= WORTH_LISTING).slice(0, MOST_LISTED),
      nothing: hunt.belief.mended,
      something_else: hunt.belief.other,
      two_at_once: 0,
      surprise: "",
      fixed_idea: "",
      open_access: [...hunt.openSteps],
      runners_up: Math.max(0, options.length - 1),
    },
    asked: chosen ? toldOf(said, chosen)!.asked : null,
  };
}

function idOf(one: Option): string {
  return one.check?.id ?? one.repair?.id ?? "";
}

function toldOf(said: Said, one: Option) {
  return one.check ? said.checks[one.check.id] : said.repairs[one.repair?.id ?? ""];
}

/** A step from where the machine stands now: what is open already is not opened again. Cautions stay whole. */
function stepOf(hunt: Hunt, said: Said, one: Option): Step {
  const told = toldOf(said, one)!.step;
  const openings = told.openings.filter((each) => !hunt.openSteps.has(each.step));
  const open = new Set(told.openings.filter((each) => !openings.includes(each)).map((each) => said.access[each.step]?.line));
  const setting = one.check && one.check.state === hunt.state ? 0 : told.minutes.setting;
  const opening = openings.reduce((sum, each) => sum + each.open_min, 0);
  const closing = openings.reduce((sum, each) => sum + each.close_min, 0);
  const { own, verifying } = told.minutes;
  const group = one.repair ? hunt.table.groups.indexOf(one.repair) : -1;
  return {
    ...told,
    steps: told.steps.filter((line) => !open.has(line)),
    openings,
    minutes: { own, opening, closing, setting, verifying, total: own + opening + closing + setting + verifying },
    outcomes: one.check ? outcomesOf(hunt, said, one.check) : [],
    ...(group >= 0 && { odds: hunt.belief.groupOdds[group]! }),
  };
}

function outcomesOf(hunt: Hunt, said: Said, check: Check): OutcomeLine[] {
  return new Outcomes(hunt).of(check).map((one) => ({
    label: labelled(said, one.label), low: one.low, high: one.high, chance: one.chance, healthy: one.healthy,
    means: one.means.map(({ group, odds }) => ({
      group: hunt.table.groups[group]?.id ?? "",
      repair: hunt.table.groups[group]?.said ?? say("nothingOdds"),
      odds,
    })),
  }));
}
