// What is suspected, likeliest first, and what speaks for and against each.
import type { RefObject } from "preact";
import { useEffect, useState } from "preact/hooks";
import { useWaiting } from "../parts/waiting";
import type { Standing } from "../phone/standing";
import { get, jobPath, partPath, type Suspect, type Suspects, type TestimonyLine, type WhyLines } from "../server";
import { minutes, percent, say, shortPercent } from "../texts/say";

/** Below these odds a line is not worth its place on a phone. */
const WORTH_A_LINE = 0.003;

export function SuspectsPart(given: {
  job: string;
  entries: number;
  heading: RefObject<HTMLHeadingElement | null>;
  here: Standing | null;
  away: boolean;
  busy: boolean;
  onClose: (cause: string) => void;
}) {
  const [had, setFound] = useState<Suspects | null>(null);
  const waiting = useWaiting();
  const { here } = given;
  useEffect(() => {
    if (here) return;
    waiting.look(async (signal) => setFound(await get<Suspects>(jobPath(given.job, "suspects"), signal)));
  }, [given.job, given.entries, here === null]);
  const found: Suspects | null = here ? { ...here.working.next, suspects: here.suspects } : had;
  const rest: ["elseOdds" | "nothingOdds" | "bothOdds", number][] = found
    ? [["elseOdds", found.something_else], ["nothingOdds", found.nothing], ["bothOdds", found.two_at_once]]
    : [];
  return (
    <main>
      <h1 ref={given.heading} tabIndex={-1}>{say("suspects")}</h1>
      <p class="help">{say("suspectsHelp")}</p>
      <ol class="suspects">
        {found?.suspects.filter((one, at) => at < 3 || one.odds >= WORTH_A_LINE).map((one) => (
          <SuspectLine
            key={one.group}
            job={given.job}
            suspect={one}
            entries={given.entries}
            away={given.away}
            busy={given.busy}
            onClose={found.head.state === "open" ? () => given.onClose(one.group) : null}
          />
        ))}
      </ol>
      <ul class="suspects others">
        {rest.filter(([, odds]) => odds >= WORTH_A_LINE).map(([key, odds]) => (
          <li>
            <div class="suspect">
              <span class="odds">{shortPercent(odds)}</span>
              <span class="what">{say(key)}</span>
              <Meter odds={odds} />
            </div>
          </li>
        ))}
      </ul>
      {waiting.shown}
    </main>
  );
}

function Meter({ odds }: { odds: number }) {
  return <span class="meter" aria-hidden="true"><span style={{ width: `${Math.max(1, 100 * odds)}%` }} /></span>;
}

function SuspectLine(given: {
  job: string;
  suspect: Suspect;
  entries: number;
  away: boolean;
  busy: boolean;
  onClose: (() => void) | null;
}) {
  const one = given.suspect;
  const [open, setOpen] = useState(false);
  const [case_, setCase] = useState<WhyLines | null>(null);
  const waiting = useWaiting();
  useEffect(() => setCase(null), [given.entries]);
  useEffect(() => {
    if (!open || case_ || given.away) return;
    waiting.look(async (signal) =>
      setCase(await get<WhyLines>(jobPath(given.job, `why?suspect=${encodeURIComponent(one.group)}`), signal)));
  }, [open, case_, given.away]);
  return (
    <li>
      <button type="button" class="suspect" aria-expanded={open} onClick={() => setOpen(!open)}>
        <span class="odds">{shortPercent(one.odds)}</span>
        <span class="what">
          <strong>{one.repair}</strong>
          <span>{one.text}</span>
          <span class="small">{one.zone}, {say("toMend", { minutes: minutes(one.minutes) })}</span>
        </span>
        <Meter odds={one.odds} />
      </button>
      {open && !case_ && given.away && <div class="case"><p>{say("waitsFor")}</p></div>}
      {open && case_ && <Case found={case_} job={given.job} group={one.group} busy={given.busy} onClose={given.onClose} />}
      {waiting.shown}
    </li>
  );
}

function Case({ found, job, group, busy, onClose }: {
  found: WhyLines;
  job: string;
  group: string;
  busy: boolean;
  onClose: (() => void) | null;
}) {
  const told = found.testimonies.filter((one) => !one.little);
  const little = found.testimonies.length - told.length;
  const sorted = [...told].sort((a, b) => Math.abs(b.ratio) - Math.abs(a.ratio));
  const lines = (title: "speaksFor" | "speaksAgainst", chosen: TestimonyLine[]) => chosen.length > 0 && (
    <>
      <h2>{say(title)}</h2>
      <ul class={title}>
        {chosen.map((one) => (
          <li>
            <strong>{one.weight}</strong>: {one.subject}: {one.found}
            {one.expected && `; ${say("expectedWas", { expected: one.expected })}`}
          </li>
        ))}
      </ul>
    </>
  );
  return (
    <div class="case">
      <p>{say("comparedWith", { repair: found.rival_repair, odds: percent(found.rival_odds) })}</p>
      {lines("speaksFor", sorted.filter((one) => one.ratio > 0))}
      {lines("speaksAgainst", sorted.filter((one) => one.ratio <= 0))}
      {told.length === 0 && <p>{say("noFindings")}</p>}
      {little > 0 && <p class="small">{say(little === 1 ? "oneSaysLittle" : "saysLittle", { n: little })}</p>}
      {found.doubles.length > 0 && (
        <p>{say("doubles", { what: found.doubles.map((one) => `${one.repair} (${percent(one.odds)})`).join(", ") })}</p>
      )}
      <div class="acts">
        <a class="button" href={partPath(job, "where", group)}>{say("circuitPath")}</a>
        <a class="button" href={partPath(job, "mend", group)}>{say("correctionSheet")}</a>
        {onClose && (
          <button type="button" class="writes" disabled={busy} onClick={onClose}>{say("thisWasIt")}</button>
        )}
      </div>
    </div>
  );
}
