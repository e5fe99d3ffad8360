// What there was on a unit before: while a job is opened on it, and in the job.
import { useEffect, useState } from "preact/hooks";
import { get, jobPath, partPath, type UnitSeen } from "../server";
import { day, say } from "../texts/say";

/** So many earlier jobs are shown; the others are one tap away. */
const MOST = 3;
/** Milliseconds without a letter after which a serial number counts as typed. */
const TYPED = 500;

/** The unit whose serial number is being typed. */
export function TypedUnit({ machine, unit }: { machine: string; unit: string }) {
  const [found, setFound] = useState<UnitSeen | null>(null);
  useEffect(() => {
    setFound(null);
    if (!unit.trim()) return;
    const control = new AbortController();
    const asked = new URLSearchParams({ machine, unit: unit.trim() });
    const timer = setTimeout(() => {
      // What was before is nothing that opening has to wait for; it says itself when the unit cannot be.
      get<UnitSeen>(`/api/earlier?${asked}`, control.signal).then(setFound).catch(() => undefined);
    }, TYPED);
    return () => {
      clearTimeout(timer);
      control.abort();
    };
  }, [machine, unit]);
  return <div role="status">{found && <Earlier found={found} linked={false} />}</div>;
}

/** The unit of a job. */
export function JobUnit({ job, away }: { job: string; away: boolean }) {
  const [found, setFound] = useState<UnitSeen | null>(null);
  useEffect(() => {
    if (away) return;
    const control = new AbortController();
    get<UnitSeen>(jobPath(job, "unit"), control.signal).then(setFound).catch(() => undefined);
    return () => control.abort();
  }, [job, away]);
  if (!found?.unit || (found.earlier.length === 0 && found.recent.length === 0)) return null;
  return (
    <section>
      <h2>{say("unitIs", { unit: found.unit })}</h2>
      <Earlier found={found} linked={true} />
    </section>
  );
}

function Earlier({ found, linked }: { found: UnitSeen; linked: boolean }) {
  const line = (one: UnitSeen["earlier"][number]) => (
    <li key={one.job}>
      <strong>{one.complaint.join("; ")}</strong>
      <span class="small">
        {day(one.opened)}, {one.state === "open" ? say("stillOpenJob") : say("causeIs", { cause: one.cause || say("notFound") })}
        {one.back_in && <>, <span class="whole">{say("cameBackIn", { job: one.back_in })}</span></>}
      </span>
      {linked && <a class="button" href={partPath(one.job)}>{say("toJob", { job: one.job })}</a>}
    </li>
  );
  return (
    <>
      {found.near && <p class="notice">{say("unitNear", { unit: found.unit, near: found.near })}</p>}
      {found.still_open && <p class="notice">{say("sameStillOpen", { job: found.still_open })}</p>}
      {found.may_be && <p class="notice">{found.may_be}</p>}
      {found.recent.length > 0 && (
        <>
          <p>{say("workedLately")}</p>
          <ul class="plain-list gap">{found.recent.map((one) => <li>{one}</li>)}</ul>
        </>
      )}
      {found.earlier.length > 0 && (
        <>
          <p>{say("earlierJobs", { n: found.earlier.length })}</p>
          <ul class="plain-list">{found.earlier.slice(0, MOST).map(line)}</ul>
          {found.earlier.length > MOST && (
            <details class="more">
              <summary>{say("moreOf", { n: found.earlier.length - MOST })}</summary>
              <ul class="plain-list">{found.earlier.slice(MOST).map(line)}</ul>
            </details>
          )}
        </>
      )}
    </>
  );
}
