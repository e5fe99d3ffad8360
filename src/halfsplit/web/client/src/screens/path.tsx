// The circuit path of one suspect: every point a lead can go to, from supply to ground, with the volts along it.
import type { RefObject } from "preact";
import { useEffect, useState } from "preact/hooks";
import { useWaiting } from "../parts/waiting";
import { type CircuitPath, get, jobPath, partPath, type PathPoint } from "../server";
import { say, volts } from "../texts/say";

/** Volts further apart than this are worth marking; a digital meter's last digits and the machine's own spread. */
const APART_V = 0.5;
/** So many points are still shown each. */
const FEW = 2;

export function PathPart(given: {
  job: string;
  suspect: string;
  entries: number;
  heading: RefObject<HTMLHeadingElement | null>;
}) {
  const [found, setFound] = useState<CircuitPath | null>(null);
  const waiting = useWaiting();
  useEffect(() => {
    waiting.look(async (signal) =>
      setFound(await get<CircuitPath>(jobPath(given.job, `path?suspect=${encodeURIComponent(given.suspect)}`), signal)));
  }, [given.job, given.suspect, given.entries]);
  return (
    <main>
      <a class="back" href={partPath(given.job, "where")}>‹ {say("toMap")}</a>
      <h1 ref={given.heading} tabIndex={-1}>{found ? `${say("circuitPath")}: ${found.repair}` : say("circuitPath")}</h1>
      {found && (
        <>
          <p class="lead first-letter">{found.text}</p>
          <p class="help">{say(found.points.length > 0 ? "pathHelp" : "noPath")}</p>
          {found.points.length > 0 && (
            <>
              <p class="set"><span>{say("pathState")}</span> <strong>{found.state_name}</strong></p>
              <ol class="path">
                {stretches(found.points).map((each, at, all) => (
                  <Stretch points={each} zoneBefore={all[at - 1]?.slice(-1)[0]?.zone ?? ""} />
                ))}
              </ol>
            </>
          )}
        </>
      )}
      {waiting.shown}
    </main>
  );
}

/** The points worth a place of their own, and between them those that only say the same again. */
function stretches(points: PathPoint[]): PathPoint[][] {
  const apart = (one: PathPoint) => Math.abs(one.sound_v - one.suspect_v) >= APART_V;
  const own = (at: number): boolean => {
    const one = points[at];
    const before = points[at - 1];
    const after = points[at + 1];
    if (!one || !before || !after) return true;
    return one.suspect || one.next_suspect || before.next_suspect || one.found.length > 0
      || apart(one) !== apart(before) || apart(one) !== apart(after)
      || Math.abs(one.sound_v - before.sound_v) > 1 || Math.abs(one.sound_v - after.sound_v) > 1;
  };
  const found: PathPoint[][] = [];
  let few = false;
  points.forEach((one, at) => {
    if (own(at) || !few) found.push([one]);
    else found[found.length - 1]?.push(one);
    few = !own(at);
  });
  return found.flatMap((each) => each.length > FEW ? [each] : each.map((one) => [one]));
}

function Stretch({ points, zoneBefore }: { points: PathPoint[]; zoneBefore: string }) {
  const [first] = points;
  const last = points[points.length - 1];
  if (!first || !last) return null;
  if (points.length === 1) return <Point one={first} zoneBefore={zoneBefore} />;
  const range = (from: number, to: number) =>
    volts(from) === volts(to) ? volts(from) : say("voltsFromTo", { from: volts(from), to: volts(to) });
  return (
    <li>
      <details>
        <summary>
          {say("pointsBetween", { n: points.length })}
          <span class="volts">
            <span>{say("soundV")} {range(first.sound_v, last.sound_v)}</span>
            <span>{say("suspectV")} {range(first.suspect_v, last.suspect_v)}</span>
          </span>
        </summary>
        <ol class="path">
          {points.map((one, at) => <Point one={one} zoneBefore={points[at - 1]?.zone ?? zoneBefore} />)}
        </ol>
      </details>
    </li>
  );
}

function Point({ one, zoneBefore }: { one: PathPoint; zoneBefore: string }) {
  const apart = Math.abs(one.sound_v - one.suspect_v) >= APART_V;
  return (
    <li class={one.suspect ? "bad" : ""}>
      {one.zone && one.zone !== zoneBefore && <p class="path-zone">{one.zone}</p>}
      <div class="path-point">
        <span class="dot" aria-hidden="true" />
        <div>
          <strong>{one.words}</strong>
          {one.suspect && <span class="mark">{say("suspectHere")}</span>}
          <dl class="volts">
            <div><dt>{say("soundV")}</dt><dd>{volts(one.sound_v)}</dd></div>
            <div class={apart ? "apart" : ""}><dt>{say("suspectV")}</dt><dd>{volts(one.suspect_v)}</dd></div>
            {one.found.map((each) => (
              <div class="seen">
                <dt>{say("foundV")}</dt>
                <dd>{each.words}{each.against && ` (${say("foundAgainst", { place: each.against })})`}</dd>
              </div>
            ))}
          </dl>
        </div>
      </div>
      {one.next_words && (
        <p class={`path-between ${one.next_suspect ? "bad" : ""}`}>
          {one.next_words}
          {one.next_suspect && <span class="mark">{say("suspectHere")}</span>}
        </p>
      )}
    </li>
  );
}
