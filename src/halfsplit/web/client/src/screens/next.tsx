// The step that is asked: cautions, steps, where the leads go, what each result would mean, and one tap to answer.
import type { RefObject } from "preact";
import { useEffect, useState } from "preact/hooks";
import { Attach } from "../parts/attach";
import { Cautions } from "../parts/cautions";
import { FaceDrawing, LeadList } from "../parts/face";
import { type Chosen, FunctionChooser } from "../parts/functions";
import { Pad } from "../parts/pad";
import { Sheet } from "../parts/sheet";
import { Split } from "../parts/split";
import { useWaiting } from "../parts/waiting";
import { type Asked, type ComplaintForm, get, jobPath, type Log, partPath, type Step, type Working } from "../server";
import { minutes, percent, say, withoutState } from "../texts/say";
import type { Write } from "./job";

type Sheets = "" | "pad" | "walk" | "else";
type Showing = "" | ", showing" | ", away";

export function NextPart(given: {
  stands: Working;
  told: string[];
  other: number;
  away: boolean;
  busy: boolean;
  heading: RefObject<HTMLHeadingElement | null>;
  onWrite: Write;
  onOther: (runnerUp: number) => void;
  onClose: (cause: string) => void;
}) {
  const { next, asked } = given.stands;
  const step = next.step;
  const open = next.head.state === "open";
  const [sheet, setSheet] = useState<Sheets>("");
  const [showing, setShowing] = useState<Showing>("");
  const [spent, setSpent] = useState<number | null>(null);
  useEffect(() => {
    setSheet("");
    setShowing("");
    setSpent(null);
  }, [step?.id, next.head.entries]);

  const answer = (text: string) => {
    if (!step || !asked) return;
    setSheet("");
    const reached = text !== "can't reach";
    given.onWrite("findings", {
      [step.kind === "repair" ? "repair" : "check"]: step.id,
      answer: reached && asked.showing ? text + showing : text,
      ...(reached && spent !== null && { minutes: spent }),
    });
  };
  const saw = (one: Chosen) => {
    setSheet("");
    given.onWrite("findings", { function: one.function, state: one.state, answer: one.level });
  };

  return (
    <>
      <main>
        <div class="told-now" role="status">
          {given.told.length > 0 && (
            <div class="written">
              <span><strong>{say("recorded")}:</strong> {given.told.join("; ")}</span>
              <button type="button" disabled={given.busy} onClick={() => given.onWrite("undo", {})}>{say("undo")}</button>
            </div>
          )}
        </div>
        {open && next.surprise && <p class="notice"><strong>{say("surprise")}.</strong> {next.surprise}</p>}
        {open && next.fixed_idea && <p class="notice"><strong>{say("stopAndThink")}.</strong> {next.fixed_idea}</p>}
        {!open
          ? <Closed job={next.head.job} heading={given.heading} />
          : step && asked
          ? (
            <StepWords
              stands={given.stands}
              step={step}
              asked={asked}
              heading={given.heading}
              spent={spent}
              onSpent={setSpent}
              other={given.other}
              onOther={given.onOther}
            />
          )
          : (
            <>
              <h1 ref={given.heading} tabIndex={-1}>
                {say(next.kind === "finish" ? "finish" : next.kind === "hand over" ? "handOver" : "notFound")}
              </h1>
              <p class="help">{say("endHelp")}</p>
              <p class="lead">{next.words}</p>
              {given.stands.open_now.length > 0 && (
                <p>{say("stillOpen", { what: given.stands.open_now.join(", ") })}</p>
              )}
            </>
          )}
      </main>
      <section class="dock" aria-label={say("answers")} aria-busy={given.busy}>
        {!open
          ? (
            <>
              <button type="button" disabled={given.busy} onClick={() => given.onWrite("reopen", {})}>
                {say("reopenBack")}
              </button>
              <button
                type="button"
                disabled={given.busy}
                onClick={() => given.onWrite("reopen", { by_mistake: true })}
              >
                {say("reopenMistake")}
              </button>
            </>
          )
          : step && asked
          ? (
            <Answers
              asked={asked}
              showing={showing}
              onShowing={setShowing}
              onAnswer={answer}
              onSheet={setSheet}
              busy={given.busy}
            />
          )
          : (
            <>
              {given.away ? <p class="small">{say("waitsFor")}</p> : (
                <>
                  <button type="button" class="main" disabled={given.busy} onClick={() =>
                    given.onClose(next.kind === "finish" ? "" : "not found")}>
                    {say(next.kind === "finish" ? "closeJob" : "closeNotFound")}
                  </button>
                  <a class="button" href={partPath(next.head.job, "proof")}>{say("proof")}</a>
                </>
              )}
              <button type="button" onClick={() => setSheet("else")}>{say("somethingElse")}</button>
            </>
          )}
      </section>
      {sheet === "pad" && step && asked && (
        <Pad asked={asked} outcomes={step.outcomes} onAnswer={answer} onClose={() => setSheet("")} />
      )}
      {sheet === "walk" && asked && <Walk asked={asked} onAnswer={answer} onClose={() => setSheet("")} />}
      {sheet === "else" && (
        <Else
          machine={next.head.machine}
          onFile={(file, caption) => {
            setSheet("");
            given.onWrite("attachments", { caption }, file);
          }}
          onSaw={saw}
          onNote={(text) => {
            setSheet("");
            given.onWrite("notes", { text });
          }}
          onClose={() => setSheet("")}
        />
      )}
    </>
  );
}

/** A closed job: what it was, and what can be taken along from it. */
function Closed({ job, heading }: { job: string; heading: RefObject<HTMLHeadingElement | null> }) {
  const [cause, setCause] = useState("");
  useEffect(() => {
    const control = new AbortController();
    // The log says it too; this screen does not wait for it.
    get<Log>(jobPath(job, "log"), control.signal).then((found) => setCause(found.cause)).catch(() => undefined);
    return () => control.abort();
  }, [job]);
  return (
    <>
      <h1 ref={heading} tabIndex={-1}>{say("closed")}</h1>
      <p class="help">{say("closedHelp")}</p>
      {cause && <p class="lead">{say("causeIs", { cause })}</p>}
      <div class="choices one-column">
        <a class="button" href={partPath(job, "papers")}>{say("papers")}</a>
        <a class="button" href={partPath(job, "proof")}>{say("proof")}</a>
      </div>
    </>
  );
}

function Answers(given: {
  asked: Asked;
  showing: Showing;
  busy: boolean;
  onShowing: (now: Showing) => void;
  onAnswer: (text: string) => void;
  onSheet: (sheet: Sheets) => void;
}) {
  const { asked } = given;
  const ways: [Showing, "there" | "away" | "notKnown"][] = [[", showing", "there"], [", away", "away"], ["", "notKnown"]];
  return (
    <>
      {asked.showing && (
        <fieldset class="showing">
          <legend>{say("faultThere")}</legend>
          {ways.map(([text, key]) => (
            <label class="choice">
              <input
                type="radio"
                name="showing"
                checked={given.showing === text}
                onChange={() => given.onShowing(text)}
              />
              <span>{say(key)}</span>
            </label>
          ))}
        </fieldset>
      )}
      <h2 class="unseen">{say(asked.kind === "repair" ? "answerRepair" : "answer")}</h2>
      <div class="answers">
        {asked.kind === "reading" && (
          <button type="button" class="main wide" disabled={given.busy} onClick={() => given.onSheet("pad")}>
            {say("typeReading")}
          </button>
        )}
        {asked.kind !== "reading" && asked.choices.map((choice) => (
          <button
            type="button"
            class={`main ${choice.tone}`}
            disabled={given.busy}
            onClick={() => given.onAnswer(choice.text)}
          >
            {choice.tone === "right" && <span aria-hidden="true">✓ </span>}
            {choice.label}
          </button>
        ))}
        {asked.kind === "round" && (
          <button type="button" class="main amiss" disabled={given.busy} onClick={() => given.onSheet("walk")}>
            {say("amiss")}
          </button>
        )}
        <button type="button" disabled={given.busy} onClick={() => given.onAnswer("can't reach")}>
          {say("cantReach")}
        </button>
        <button type="button" disabled={given.busy} onClick={() => given.onSheet("else")}>{say("somethingElse")}</button>
      </div>
    </>
  );
}

function StepWords(given: {
  stands: Working;
  step: Step;
  asked: Asked;
  heading: RefObject<HTMLHeadingElement | null>;
  spent: number | null;
  other: number;
  onSpent: (minutes: number) => void;
  onOther: (runnerUp: number) => void;
}) {
  const { step, asked } = given;
  const { next } = given.stands;
  const planned = Math.round(step.kind === "repair" ? step.minutes.own : step.minutes.own + step.minutes.setting);
  const spent = given.spent ?? planned;
  // Who has begun knows how it goes; the cautions stand higher for it.
  const begins = next.head.entries === 0;
  const title = asked.state ? step.title.replace(/ \[[^\]]*\]$/, "") : step.title;
  const parts = ([
    ["ownMinutes", step.minutes.own],
    ["openingMinutes", step.minutes.opening],
    ["settingMinutes", step.minutes.setting],
    ["verifyingMinutes", step.minutes.verifying],
    ["closingMinutes", step.minutes.closing],
  ] as const).filter(([, each]) => each > 0);
  return (
    <>
      <p class="kind">
        <span>{say(step.kind === "repair" ? "nextRepair" : "nextCheck")}</span>
        <strong>{minutes(step.minutes.total)}</strong>
      </p>
      <h1 ref={given.heading} tabIndex={-1} data-step={step.id}>{title}</h1>
      {begins && <p class="help">{say("nextHelp")}</p>}
      <div class="columns">
        <div>
          <Cautions job={next.head.job} cautions={step.cautions} stepId={step.id} />
          {asked.state && step.kind !== "repair" && (
            <p class="set"><span>{say("setTo")}</span> <strong>{asked.state}</strong></p>
          )}
          {step.openings.length > 0 && (
            <p class="set">
              <span>{say("openFirst")}</span>{" "}
              <strong>{step.openings.map((one) => `${one.name} (${minutes(one.open_min)})`).join(", ")}</strong>
            </p>
          )}
          <h2>{say("steps")}</h2>
          <ol class="steps">{step.steps.map((one) => <li>{one}</li>)}</ol>
          {asked.leads.length > 0 && (
            <section>
              <h2>{say(asked.leads.some((one) => one.mark === "red") ? "leads" : "place")}</h2>
              <LeadList leads={asked.leads} />
              {asked.faces.map((one) => <FaceDrawing face={one} />)}
              {asked.faces.length > 0 && <p class="small">{say("faceNote")}</p>}
            </section>
          )}
        </div>
        <div>
          {step.kind === "repair"
            ? (
              <section>
                {step.came_right != null
                  ? <p>{say("cameRight", { odds: percent(step.came_right) })}</p>
                  : step.odds != null && step.success != null && (
                    <p>{say("needed", { odds: percent(step.odds), success: percent(step.success) })}</p>
                  )}
                <a class="button" href={partPath(next.head.job, "mend", step.id)}>{say("correctionSheet")}</a>
                {step.material && <p><strong>{say("takeAlong")}:</strong> {step.material}</p>}
                {(step.look_for ?? []).slice(1, 3).map((one) => <p>{say("lookFor")}: {one}</p>)}
              </section>
            )
            : (
              <section>
                <h2>{say("results")}</h2>
                <Split outcomes={step.outcomes} />
              </section>
            )}
          <section>
            <h2>{say("time")}</h2>
            <dl class="sums">
              {parts.map(([key, each]) => <><dt>{say(key)}</dt><dd>{minutes(each)}</dd></>)}
              <dt><strong>{say("total")}</strong></dt>
              <dd><strong>{minutes(step.minutes.total)}</strong></dd>
            </dl>
            <div class="stepper" role="group" aria-label={say("written")}>
              <span>{say("written")} <strong>{minutes(spent)}</strong></span>
              <button type="button" aria-label={say("fewer")} onClick={() => given.onSpent(Math.max(0, spent - 1))}>−</button>
              <button type="button" aria-label={say("more")} onClick={() => given.onSpent(spent + 1)}>+</button>
            </div>
            <p><strong>{say("openNow")}:</strong> {given.stands.open_now.join(", ") || say("nothingOpen")}</p>
            {next.reason && <p><strong>{say("reason")}:</strong> {next.reason}</p>}
            {given.other > 0 && (
              <button type="button" class="wide" onClick={() => given.onOther(0)}>{say("backToBest")}</button>
            )}
            {given.other < next.runners_up && next.others[given.other] && (
              <button type="button" class="wide" onClick={() => given.onOther(given.other + 1)}>
                <span>
                  {say("instead")}
                  <span class="small">
                    {say("insteadOf", {
                      short: withoutState(next.others[given.other]?.short ?? ""),
                      minutes: minutes(next.others[given.other]?.minutes ?? 0),
                    })}
                  </span>
                </span>
              </button>
            )}
          </section>
        </div>
      </div>
      {!begins && <p class="help">{say("nextHelp")}</p>}
    </>
  );
}

function Walk(given: { asked: Asked; onAnswer: (text: string) => void; onClose: () => void }) {
  const [amiss, setAmiss] = useState<Record<string, string>>({});
  const [opened, setOpened] = useState("");
  const said = Object.entries(amiss).filter(([, word]) => word).map(([name, word]) => `${name} ${word}`);
  return (
    <Sheet title={say("amiss")} onClose={given.onClose}>
      <p class="help">{say("walkHelp")}</p>
      <ul class="walk">
        {given.asked.lines.map((line) => {
          const word = amiss[line.function];
          const label = word === "not seen" ? say("notSeen") : line.amiss.find((one) => one.text === word)?.label ?? word;
          return (
            <li>
              <button
                type="button"
                class={`walk-line ${word ? "marked" : ""}`}
                aria-expanded={opened === line.function}
                onClick={() => setOpened(opened === line.function ? "" : line.function)}
              >
                <span>{line.name}</span>
                <span class="now">{word ? `✗ ${label}` : `✓ ${line.expected}`}</span>
              </button>
              {opened === line.function && (
                <div class="choices" role="group" aria-label={line.name}>
                  {[
                    { text: "", label: `✓ ${line.expected}` },
                    ...line.amiss,
                    { text: "not seen", label: say("notSeen") },
                  ].map((one) => (
                    <button
                      type="button"
                      aria-pressed={(word ?? "") === one.text}
                      onClick={() => {
                        setAmiss({ ...amiss, [line.function]: one.text });
                        setOpened("");
                      }}
                    >
                      {one.label}
                    </button>
                  ))}
                </div>
              )}
            </li>
          );
        })}
      </ul>
      <div class="sheet-dock">
        <button type="button" class="main wide" onClick={() => given.onAnswer(said.join(", ") || "all right")}>
          {say("allTheRest")}{said.length ? ` (${said.length})` : ""}
        </button>
      </div>
    </Sheet>
  );
}

function Else(given: {
  machine: string;
  onFile: (file: File, caption: string) => void;
  onSaw: (one: Chosen) => void;
  onNote: (text: string) => void;
  onClose: () => void;
}) {
  const [form, setForm] = useState<ComplaintForm | null>(null);
  const [note, setNote] = useState("");
  const [way, setWay] = useState<"" | "function" | "note">("");
  const waiting = useWaiting();
  useEffect(() => {
    if (way !== "function") return;
    waiting.look(async (signal) => {
      setForm(await get<ComplaintForm>(`/api/machines/${encodeURIComponent(given.machine)}`, signal));
    });
  }, [way]);
  return (
    <Sheet title={say("somethingElse")} onClose={given.onClose}>
      {way === "" && (
        <>
          <p class="help">{say("elseHelp")}</p>
          <div class="choices one-column">
            <button type="button" onClick={() => setWay("function")}>{say("sawFunction")}</button>
            <button type="button" onClick={() => setWay("note")}>{say("note")}</button>
          </div>
          <Attach onFile={given.onFile} />
        </>
      )}
      {way === "function" && form && <FunctionChooser form={form} sound={true} onChosen={given.onSaw} />}
      {way === "note" && (
        <>
          <label class="field">
            {say("note")}
            <textarea rows={4} value={note} onInput={(event) => setNote(event.currentTarget.value)} />
          </label>
          <button type="button" class="main wide" disabled={!note.trim()} onClick={() => given.onNote(note.trim())}>
            {say("writeNote")}
          </button>
        </>
      )}
      {waiting.shown}
    </Sheet>
  );
}
