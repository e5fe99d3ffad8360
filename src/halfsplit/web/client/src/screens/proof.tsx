// How sure a repair is by now: how often it failed before, what ran since, how to bring the fault out, what to try again.
import type { ComponentChildren, RefObject } from "preact";
import { useEffect, useState } from "preact/hooks";
import { useWaiting } from "../parts/waiting";
import { get, jobPath, newSending, partPath, type Proof, send } from "../server";
import { percent, say } from "../texts/say";
import { sourceWords } from "../texts/sources";

const MEASURES = ["h", "starts", "cycles", "wet-downs"] as const;
type Unit = (typeof MEASURES)[number];
/** The unit in which a history of each measure is counted. */
const UNIT_OF: Record<string, Unit> = { hours: "h", starts: "starts", cycles: "cycles", "wet-downs": "wet-downs" };
/** Sentences that name a command, or how one is written, are for the command line; the same is asked here by a field or a button. */
const COMMAND = /halfsplit |--/;

function plainWords(text: string): string {
  const said = text.replace(/; say it like: .*?\.(?= |$)/, ".");
  return said.split(/(?<=[.!?]) /).filter((one) => !COMMAND.test(one)).join(" ");
}

export function ProofPart(given: {
  job: string;
  heading: RefObject<HTMLHeadingElement | null>;
  onWritten: () => void;
}) {
  const [found, setFound] = useState<Proof | null>(null);
  const waiting = useWaiting();
  useEffect(() => {
    waiting.look(async (signal) => setFound(await get<Proof>(jobPath(given.job, "proof"), signal)));
  }, [given.job]);
  const write = (path: "history" | "runs", content: object) => {
    const sending = newSending();
    waiting.run(async (signal) => {
      setFound(await send<Proof>(jobPath(given.job, path), content, sending, signal));
      given.onWritten();
    });
  };
  const repaired = (found?.repairs.length ?? 0) > 0;
  return (
    <main>
      <a class="back" href={partPath(given.job, "log")}>‹ {say("log")}</a>
      <h1 ref={given.heading} tabIndex={-1}>{say("proof")}</h1>
      <p class="help">{say("proofHelp")}</p>
      {found && (
        <div class="columns">
          <div>
            <p class="lead">{repaired ? say("mendedWas", { what: found.repairs.join(", ") }) : say("noRepairYet")}</p>
            {repaired && found.confidence !== null && (
              <p class="sure"><span>{say("sureNow")}</span> <strong>{percent(found.confidence)}</strong></p>
            )}
            {found.ceiling !== null && found.ceiling < 0.99 && (
              <p>{say("ceilingIs", { odds: percent(found.ceiling) })}</p>
            )}
            {found.provoke.length > 0 && (
              <section>
                <h2>{say("bringOut")}</h2>
                {found.provoke.some((one) => one.caution) && (
                  <section class="cautions" aria-label={say("cautions")}>
                    <h2>{say("cautions")}</h2>
                    <ul>{found.provoke.filter((one) => one.caution).map((one) => <li>{one.caution}</li>)}</ul>
                  </section>
                )}
                <ul class="plain-list">
                  {found.provoke.map((one) => <li>{one.how}<span class="small">{sourceWords(one.source)}</span></li>)}
                </ul>
              </section>
            )}
            {found.goals.length > 0 && (
              <section>
                <h2>{say("goals")}</h2>
                <ul class="plain-list">
                  {found.goals.map((one) => <li>{say("goalLine", { odds: percent(one.confidence), words: one.words })}</li>)}
                </ul>
              </section>
            )}
            {found.advice.map(plainWords).filter(Boolean).map((one) => <p class="notice">{one}</p>)}
            {found.try_again.length > 0 && (
              <section>
                <h2>{say("tryOnce")}</h2>
                <ul class="plain-list">
                  {found.try_again.map((one) => (
                    <li>
                      <strong>{one.subject}</strong>
                      <span class="small">
                        {say("wasNow", { before: one.before })}; {say("isNow", { after: one.after || say("notYet") })}
                      </span>
                    </li>
                  ))}
                </ul>
              </section>
            )}
            {found.read_again.length > 0 && (
              <section>
                <h2>{say("readAgain")}</h2>
                <ul class="plain-list">
                  {found.read_again.map((one) => (
                    <li class={one.mark === "wrong" ? "wrong" : ""}>
                      <strong>{one.subject}</strong>
                      <span class="small">
                        {say("wasNow", { before: one.before })}
                        {one.expected && `; ${say("shouldBe", { expected: one.expected })}`};{" "}
                        {say("isNow", { after: one.after || say("notYet") })}
                      </span>
                    </li>
                  ))}
                </ul>
              </section>
            )}
          </div>
          <div>
            {repaired && (
              <Ran busy={waiting.busy} unit={UNIT_OF[found.measure] ?? "h"} onRan={(content) => write("runs", content)}>
                {found.runs.length > 0 && (
                  <>
                    <p class="small">{say("runsDone")}</p>
                    <ul class="plain-list">{found.runs.map((one) => <li>{one}</li>)}</ul>
                  </>
                )}
              </Ran>
            )}
            {found.history
              ? <p>{say("historyIs", { words: found.history })}</p>
              : <History busy={waiting.busy} onHistory={(content) => write("history", content)} />}
            <a class="button" href={partPath(given.job, "papers")}>{say("papers")}</a>
          </div>
        </div>
      )}
      {waiting.shown}
    </main>
  );
}

function Amount(given: { label: string; unit: Unit; amount: string; onAmount: (text: string) => void;
  onUnit: (unit: Unit) => void }) {
  return (
    <div class="two">
      <label class="field">
        {given.label}
        <input inputMode="decimal" autocomplete="off" value={given.amount}
          onInput={(event) => given.onAmount(event.currentTarget.value)} />
      </label>
      <label class="field">
        {say("amountUnit")}
        <select value={given.unit} onChange={(event) => given.onUnit(event.currentTarget.value as Unit)}>
          {MEASURES.map((one) => <option value={one}>{say(one)}</option>)}
        </select>
      </label>
    </div>
  );
}

function Ran(given: { busy: boolean; unit: Unit; onRan: (content: object) => void; children: ComponentChildren }) {
  const [amount, setAmount] = useState("");
  const [unit, setUnit] = useState(given.unit);
  const ran = (cameBack: boolean) => {
    given.onRan({ amount: `${amount.trim()} ${unit}`, came_back: cameBack });
    setAmount("");
  };
  return (
    <section class="writes">
      <h2>{say("ranIt")}</h2>
      {given.children}
      <Amount label={say("ranAmount")} unit={unit} amount={amount} onAmount={setAmount} onUnit={setUnit} />
      <div class="choices gap">
        <button type="button" class="main" disabled={!amount.trim() || given.busy} onClick={() => ran(false)}>
          {say("quiet")}
        </button>
        <button type="button" disabled={!amount.trim() || given.busy} onClick={() => ran(true)}>{say("cameBack")}</button>
      </div>
    </section>
  );
}

function History(given: { busy: boolean; onHistory: (content: object) => void }) {
  const [times, setTimes] = useState("");
  const [amount, setAmount] = useState("");
  const [unit, setUnit] = useState<Unit>("h");
  const known = /^\d+$/.test(times.trim()) && amount.trim() !== "";
  return (
    <section class="writes">
      <h2>{say("historyAsk")}</h2>
      <label class="field">
        {say("timesFailed")}
        <input inputMode="numeric" autocomplete="off" value={times}
          onInput={(event) => setTimes(event.currentTarget.value)} />
      </label>
      <Amount label={say("over")} unit={unit} amount={amount} onAmount={setAmount} onUnit={setUnit} />
      <button
        type="button"
        class="wide"
        disabled={!known || given.busy}
        onClick={() => given.onHistory({ events: Number(times), amount: `${amount.trim()} ${unit}` })}
      >
        {say("writeHistory")}
      </button>
    </section>
  );
}
