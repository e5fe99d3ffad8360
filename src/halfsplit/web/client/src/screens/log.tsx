// What was done on the job, with minutes; entries are taken back here, reports fetched, the job closed.
import type { RefObject } from "preact";
import { useEffect, useState } from "preact/hooks";
import { JobUnit } from "../parts/unit";
import { useWaiting } from "../parts/waiting";
import type { Queued } from "../queue";
import { get, jobPath, type Log, partPath, type Working } from "../server";
import { clock, minutes, say } from "../texts/say";
import type { Write } from "./job";

/** Kinds of entries that undo takes back; closing is taken back by opening the job again. */
const KEPT = ["job-closed", "job-reopened"];

export function LogPart(given: {
  job: string;
  heading: RefObject<HTMLHeadingElement | null>;
  stands: Working | null;
  away: boolean;
  busy: boolean;
  queued: Queued[];
  onWrite: Write;
  onClose: (cause: string) => void;
}) {
  const [found, setFound] = useState<Log | null>(null);
  const waiting = useWaiting();
  useEffect(() => {
    waiting.look(async (signal) => setFound(await get<Log>(jobPath(given.job, "log"), signal)));
  }, [given.job, given.stands?.next.head.entries, given.stands?.next.head.state, given.queued.length, given.away]);
  const lines = found ? [...found.lines].reverse() : [];
  const closed = found?.head.state === "closed";
  const latestUndone = lines.find((one) => one.undone);
  return (
    <main>
      <h1 ref={given.heading} tabIndex={-1}>{say("log")}</h1>
      <p class="help">{say("logHelp")}</p>
      {found && <p class="lead">{say("worked", { minutes: minutes(found.head.minutes) })}</p>}
      {closed && found && (
        <p class="notice"><strong>{say("closed")}.</strong> {say("causeIs", { cause: found.cause })}</p>
      )}
      {found && lines.length + given.queued.length === 0 && <p>{say("noEntries")}</p>}
      <div class="columns">
        <div>
          <ul class="log">
            {[...given.queued].reverse().filter((one) => !one.refused).map((one) => (
              <li>
                <span class="what">
                  {one.words}
                  <span class="small">
                    {clock(one.when)}, {say("notSentYet")}
                  </span>
                </span>
              </li>
            ))}
            {lines.map((one) => (
              <li class={one.undone ? "undone" : ""}>
                <span class="what">
                  {one.undone ? <><s>{one.words}</s> ({say("takenBack")})</> : one.words}
                  <span class="small">
                    {clock(one.when)}
                    {one.minutes > 0 && `, ${minutes(one.minutes)}`}
                    {one.by && `, ${one.by}`}
                  </span>
                </span>
                {!one.undone && !closed && !KEPT.includes(one.kind) && (
                  <button
                    type="button"
                    class="writes"
                    disabled={given.busy}
                    aria-label={say("undoEntry", { words: one.words })}
                    onClick={() => given.onWrite("undo", { entry: one.number })}
                  >
                    {say("undo")}
                  </button>
                )}
              </li>
            ))}
          </ul>
          {latestUndone && !closed && !given.away && (
            <button type="button" class="wide writes" disabled={given.busy} onClick={() => given.onWrite("restore", {})}>
              {say("letStand")}
            </button>
          )}
        </div>
        <div>
          <JobUnit job={given.job} away={given.away} />
          <h2>{say("afterwards")}</h2>
          <div class="choices one-column">
            <a class="button" href={partPath(given.job, "proof")}>{say("proof")}</a>
            <a class="button" href={partPath(given.job, "papers")}>{say("papers")}</a>
          </div>
          <h2 class="writes">{say("endOfJob")}</h2>
          {given.away && <p class="writes">{say("waitsFor")}</p>}
          {!given.away && <div class="choices one-column writes">
            {closed
              ? (
                <>
                  <button type="button" disabled={given.busy} onClick={() => given.onWrite("reopen", {})}>
                    {say("reopenBack")}
                  </button>
                  <button type="button" disabled={given.busy} onClick={() => given.onWrite("reopen", { by_mistake: true })}>
                    {say("reopenMistake")}
                  </button>
                </>
              )
              : (
                <>
                  <button type="button" disabled={given.busy} onClick={() => given.onClose("")}>{say("closeJob")}</button>
                  <button type="button" disabled={given.busy} onClick={() => given.onClose("not found")}>
                    {say("closeNotFound")}
                  </button>
                </>
              )}
          </div>}
        </div>
      </div>
      {waiting.shown}
    </main>
  );
}
