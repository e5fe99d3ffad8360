// What mending a suspect takes: cautions, parts and tools, the steps, figures to keep to, and how it went.
import type { RefObject } from "preact";
import { useEffect, useState } from "preact/hooks";
import { Cautions } from "../parts/cautions";
import { Sheet } from "../parts/sheet";
import { useWaiting } from "../parts/waiting";
import { type CorrectionSheet, get, jobPath } from "../server";
import { minutes, percent, say } from "../texts/say";
import { sourceWords } from "../texts/sources";

/** So many things to look at are named at once; the others are one tap away. */
const NAMED = 4;
const SORTS = [["part", "partLine"], ["consumable", "consumableLine"], ["tool", "toolLine"]] as const;

export function MendPart(given: {
  job: string;
  suspect: string;
  entries: number;
  busy: boolean;
  heading: RefObject<HTMLHeadingElement | null>;
  onWrite: (path: "findings" | "corrections", content: object) => void;
}) {
  const [found, setFound] = useState<CorrectionSheet | null>(null);
  const [half, setHalf] = useState<"" | "partly" | "failed">("");
  const [why, setWhy] = useState("");
  const waiting = useWaiting();
  useEffect(() => {
    waiting.look(async (signal) => {
      const path = jobPath(given.job, `correction?suspect=${encodeURIComponent(given.suspect)}`);
      setFound(await get<CorrectionSheet>(path, signal));
    });
  }, [given.job, given.suspect, given.entries]);
  const closed = found?.head.state === "closed";
  const went = (answer: string) => found && given.onWrite("findings", { repair: found.group, answer });
  return (
    <>
      <main>
        <p class="kind">
          <span>{say("mend")}</span>
          <strong>{found ? minutes(found.minutes) : ""}</strong>
        </p>
        <h1 ref={given.heading} tabIndex={-1}>{found?.repair ?? say("mend")}</h1>
        <p class="help">{say("mendHelp")}</p>
        {found && (
          <div class="columns">
            <div>
              <Cautions job={given.job} cautions={found.cautions} stepId={found.group} />
              <p>
                <strong class="first-letter">{found.fault}</strong>
                <br />
                {found.where}
              </p>
              <p>{say("needed", { odds: percent(found.odds), success: percent(found.success) })}</p>
              <section>
                <h2>{say("takeAlong")}</h2>
                <dl class="pairs">
                  {SORTS.map(([sort, key]) => {
                    const chosen = found.materials.filter((one) => one.sort === sort);
                    return chosen.length > 0 && (
                      <>
                        <dt>{say(key)}</dt>
                        {chosen.map((one) => <dd>{one.item} ({one.amount})</dd>)}
                      </>
                    );
                  })}
                </dl>
              </section>
              <section>
                <h2>{say("steps")}</h2>
                <ol class="steps">{found.steps.map((one) => <li>{one}</li>)}</ol>
              </section>
            </div>
            <div>
              {found.values.length > 0 && (
                <section>
                  <h2>{say("values")}</h2>
                  <ul class="plain-list">
                    {found.values.map((one) => (
                      <li>
                        {one.item}: <strong>{one.words}</strong>
                        {one.condition && ` (${one.condition})`}
                        <span class="small">{sourceWords(one.source, one.status)}</span>
                      </li>
                    ))}
                  </ul>
                </section>
              )}
              {found.closing.length > 0 && (
                <section>
                  <h2>{say("closingIn")}</h2>
                  <ul class="plain-list">{found.closing.map((one) => <li><strong>{one.what}:</strong> {one.text}</li>)}</ul>
                </section>
              )}
              <Looks title={say("inspectNow")} lines={found.inspect_now} />
              <Looks title={say("inspectLater")} lines={found.inspect_later} />
            </div>
          </div>
        )}
        {waiting.shown}
      </main>
      <section class="dock" aria-label={say("answers")} aria-busy={given.busy}>
        <h2 class="unseen">{say("answerRepair")}</h2>
        <div class="answers">
          <button type="button" class="main right" disabled={!found || closed || given.busy} onClick={() => went("mended")}>
            <span aria-hidden="true">✓ </span>{say("wentMended")}
          </button>
          <button type="button" class="main amiss" disabled={!found || closed || given.busy}
            onClick={() => went("not mended")}>
            {say("wentNot")}
          </button>
          <button type="button" disabled={!found || closed || given.busy} onClick={() => setHalf("partly")}>
            {say("halfDone")}
          </button>
          <button type="button" disabled={!found || closed || given.busy} onClick={() => setHalf("failed")}>
            {say("notPossible")}
          </button>
        </div>
      </section>
      {half && found && (
        <Sheet title={say(half === "partly" ? "halfDone" : "notPossible")} onClose={() => setHalf("")}>
          <label class="field">
            {say("whyNot")}
            <textarea rows={3} value={why} onInput={(event) => setWhy(event.currentTarget.value)} />
          </label>
          <button
            type="button"
            class="main wide"
            onClick={() => {
              setHalf("");
              given.onWrite("corrections", { suspect: found.group, went: half, why: why.trim() });
            }}
          >
            {say("allTheRest")}
          </button>
        </Sheet>
      )}
    </>
  );
}

function Looks({ title, lines }: { title: string; lines: CorrectionSheet["inspect_now"] }) {
  if (lines.length === 0) return null;
  const line = (one: CorrectionSheet["inspect_now"][number]) => (
    <li>
      <strong>{one.thing}</strong>, {one.zone}: {one.look_for}
      <span class="small">{one.why.join(", ")}</span>
    </li>
  );
  return (
    <section>
      <h2>{title}</h2>
      <ul class="plain-list">{lines.slice(0, NAMED).map(line)}</ul>
      {lines.length > NAMED && (
        <details class="more">
          <summary>{say("moreOf", { n: lines.length - NAMED })}</summary>
          <ul class="plain-list">{lines.slice(NAMED).map(line)}</ul>
        </details>
      )}
    </section>
  );
}
