// One job: its head, its three parts, and where it stands. Whatever is written down goes through here.
import { useEffect, useRef, useState } from "preact/hooks";
import { useWaiting } from "../parts/waiting";
import { canCarry, carry, stands as standsHere } from "../phone/carrying";
import type { Standing } from "../phone/standing";
import { anyToSend, drop, flush, keep, type Queued, waiting as waitingIn, waits } from "../queue";
import {
  get, jobPath, listen, type Log, lookAgain, type News, newSending, NoAnswerError, outOfReach, send, watchReach,
  type Working,
} from "../server";
import { clock, minutes, say, withoutState } from "../texts/say";
import { LogPart } from "./log";
import { MendPart } from "./mend";
import { NextPart } from "./next";
import { PapersPart } from "./papers";
import { PathPart } from "./path";
import { ProofPart } from "./proof";
import { SuspectsPart } from "./suspects";
import { WherePart } from "./where";

export const TABS = ["next", "suspects", "where", "log"] as const;
export const PARTS = [...TABS, "mend", "proof", "papers"] as const;
export type Part = (typeof PARTS)[number];

/** So many lines of what others wrote stay on the screen; the log has them all. */
const MOST_NEWS = 3;

/** Milliseconds after which a server that was out of reach is asked again. */
const AGAIN = 2000;

/** Screens of a job whose answers are seen through the worker, so that it keeps them. */
const KEPT_TOO = ["suspects", "where", "log"];

/** From these odds on the correction sheet of a suspect is kept, too. No source. */
const WORTH_KEEPING = 0.15;

/** Milliseconds of peace after which what is needed to go on without the server is fetched. */
const PEACE = 700;

/** What a message of these paths wrote can be taken back by its own id. */
const TAKEN_BACK_BY_ID = ["findings", "corrections", "notes"];

/** The tab under which a part without one of its own stands. */
const UNDER: Partial<Record<Part, Part>> = { mend: "next", proof: "log", papers: "log" };

/** Writes something down; ``path`` is that under the job. */
export type Write = (
  path: "findings" | "corrections" | "undo" | "restore" | "notes" | "reopen" | "attachments",
  content: object,
  file?: File,
) => void;

export function JobScreen({ job, part, suspect }: { job: string; part: Part; suspect: string }) {
  const [stands, setStands] = useState<Working | null>(null);
  const [other, setOther] = useState(0);
  const [told, setTold] = useState<string[]>([]);
  const [news, setNews] = useState<News["lines"]>([]);
  const [behind, setBehind] = useState(false);
  const [queued, setQueued] = useState<Queued[]>([]);
  const [away, setAway] = useState(false);
  /** How the job stands by what the phone carries, while the server is out of reach. */
  const [here, setHere] = useState<Standing | null>(null);
  /** So many entries of the job are in what the phone carries; -1 for nothing carried. */
  const [carried, setCarried] = useState(-1);
  /** How the job stood by the server's latest answer. */
  const base = useRef<Working | null>(null);
  /** Whether what waits is to be sent at once: when the job is opened and when the server is back. */
  const hurry = useRef(true);
  /** The message that wrote what can be taken back with the button beside it. */
  const latest = useRef("");
  const heading = useRef<HTMLHeadingElement>(null);
  const waiting = useWaiting();

  const show = (found: Working) => {
    base.current = found;
    setHere(null);
    setStands(found);
  };
  const showHere = async (runnerUp: number, signal: AbortSignal) => {
    const left = await showQueued();
    if (!base.current) return;
    const found = await standsHere(job, base.current, left, runnerUp);
    // Whoever tapped meanwhile is shown what came of the tap.
    signal.throwIfAborted();
    setHere(found);
    setStands(found?.working ?? base.current);
    setOther(found ? runnerUp : 0);
  };
  const load = (runnerUp: number, begin = waiting.look) => begin(async (signal) => {
    let found: Working | null = null;
    try {
      found = await get<Working>(jobPath(job, `next?other=${runnerUp}`), signal);
    } catch (error) {
      if (!(error instanceof NoAnswerError) || !base.current) throw error;
    }
    if (found && !outOfReach()) {
      // The server does not know yet what waits here.
      if (!anyToSend(await waitingIn(job))) {
        signal.throwIfAborted();
        show(found);
        setOther(runnerUp);
        return;
      }
      base.current = found;
    }
    base.current ??= found;
    await showHere(runnerUp, signal);
  });
  useEffect(() => load(0), [job]);
  // Seen through the worker, the job and the list it is in can be shown without the server.
  useEffect(() => {
    const control = new AbortController();
    const see = () => {
      get("/api/jobs", control.signal).catch(() => undefined);
      setBehind(true);
    };
    const worker = navigator.serviceWorker as ServiceWorkerContainer | undefined;
    if (worker?.controller) get("/api/jobs", control.signal).catch(() => undefined);
    worker?.addEventListener("controllerchange", see);
    return () => {
      control.abort();
      worker?.removeEventListener("controllerchange", see);
    };
  }, [job]);
  useEffect(() => {
    document.title = `${say(part)}, ${stands?.next.head.machine_name ?? job}`;
  }, [part, stands]);
  // A new step begins at its top, where its cautions are, and is read out from there.
  const step = `${part} ${suspect} ${stands?.next.step?.id} ${stands?.next.head.entries}`;
  useEffect(() => {
    scrollTo(0, 0);
    heading.current?.focus({ preventScroll: true });
  }, [step]);

  // What others write is shown at once; the step itself changes when nothing is being typed or sent.
  useEffect(() =>
    listen(job, (lines) => {
      setNews((before) => [...before, ...lines.filter((one) => one.words)].slice(-MOST_NEWS));
      setBehind(true);
    }), [job]);
  useEffect(() => {
    if (!behind) return;
    const timer = setInterval(() => {
      if (waiting.busy || waiting.stopped || document.querySelector("dialog[open]")) return;
      setBehind(false);
      if (!outOfReach()) load(0, waiting.behind);
    }, 200);
    return () => clearInterval(timer);
  }, [behind, waiting.busy, waiting.stopped]);

  // While the server is there and nothing is asked of it, what is needed to go on without it is fetched.
  const open = stands?.next.head.state === "open";
  useEffect(() => {
    if (!open || away || here || waiting.busy || waiting.stopped || !canCarry() || carried === stands?.next.head.entries) return;
    const control = new AbortController();
    const timer = setTimeout(() => {
      // So is what the other screens show.
      const likely = (stands?.next.suspects ?? []).filter((one) => one.odds >= WORTH_KEEPING).slice(0, 2);
      const sheets = likely.map((one) => `correction?suspect=${encodeURIComponent(one.group)}`);
      for (const path of [...KEPT_TOO, ...sheets]) get(jobPath(job, path), control.signal).catch(() => undefined);
      if (base.current) {
        get(`/api/machines/${encodeURIComponent(base.current.next.head.machine)}`, control.signal).catch(() => undefined);
      }
      carry(job).then((entries) => !control.signal.aborted && setCarried(entries)).catch(() => undefined);
    }, PEACE);
    return () => {
      clearTimeout(timer);
      control.abort();
    };
  }, [open, away, here, waiting.busy, waiting.stopped, carried, stands?.next.head.entries]);

  const showQueued = async () => {
    const left = await waitingIn(job);
    setQueued(left);
    return left;
  };
  const tell = (words: string[], repeated: boolean) => setTold(repeated ? [say("recordedBefore")] : words);
  const sendQueued = async (fresh: string, signal: AbortSignal) => {
    try {
      const found = await flush(job, fresh, signal, tell);
      const left = await showQueued();
      if (found && !anyToSend(left) && (fresh || !document.querySelector("dialog[open]"))) {
        show(found.stands);
        setOther(0);
        tell(found.words, found.repeated);
      } else {
        setBehind(true);
      }
    } catch (error) {
      if (!waits(error)) throw error;
      if (fresh) setTold((await showQueued()).filter((one) => one.sending === fresh).map((one) => one.words));
      await showHere(0, signal);
      if (fresh && !(error instanceof NoAnswerError)) throw error;
    } finally {
      await showQueued();
    }
  };
  /** Sends what waits, by itself: a tap goes before it, and what is being typed stays on the screen. */
  const sendBehind = () => waiting.behind(async (signal) => {
    if (anyToSend(await showQueued())) await sendQueued("", signal);
  });
  // What is written down is on the phone's disk before it is sent, and goes from there when the server has it.
  const write: Write = (path, content, file) => {
    const sending = newSending();
    const when = new Date().toISOString();
    const mine = path === "undo" && Object.keys(content).length === 0 && latest.current;
    const sent = mine ? { of: latest.current } : content;
    const words = wordsOf(path, sent, stands);
    let keeping: Promise<void> | null = null;
    const kept = () => {
      keeping ??= keep({ job, path, content: sent, sending, when, words, ...(file && { file }) });
      return keeping.catch((error: unknown) => {
        keeping = null;
        throw error;
      });
    };
    // A photo that was taken while something else is waited for is sent after it.
    if (file) kept().then(showQueued).catch(() => undefined);
    waiting.run(async (signal) => {
      await kept();
      latest.current = TAKEN_BACK_BY_ID.includes(path) ? sending : "";
      await sendQueued(sending, signal);
    });
  };
  useEffect(() => void showQueued(), [job]);
  useEffect(() => watchReach((isAway) => {
    setAway(isAway);
    hurry.current = true;
  }), []);
  const left = anyToSend(queued);
  useEffect(() => {
    if ((!left && !away) || waiting.stopped) return;
    const again = async () => {
      if (waiting.busy || document.querySelector("dialog[open]")) return;
      if (outOfReach()) await lookAgain();
      if (outOfReach()) return;
      if (left) sendBehind();
      else load(0, waiting.behind);
    };
    if (left && !away && !waiting.busy && hurry.current) {
      hurry.current = false;
      void again();
    }
    const timer = setInterval(again, AGAIN);
    addEventListener("online", again);
    return () => {
      clearInterval(timer);
      removeEventListener("online", again);
    };
  }, [left, away, waiting.busy, waiting.stopped]);
  const close = (cause: string) => {
    const sending = newSending();
    waiting.run(async (signal) => {
      await send<Log>(jobPath(job, "close"), { cause }, sending, signal);
      show(await get<Working>(jobPath(job, "next"), signal));
      setTold([]);
      location.hash = `/job/${encodeURIComponent(job)}/log`;
    });
  };

  const head = stands?.next.head;
  const link = (to: Part) => `#/job/${encodeURIComponent(job)}${to === "next" ? "" : `/${to}`}`;
  return (
    <div class={`screen job part-${part}`}>
      <header class="head">
        <a class="back" href="#/" aria-label={say("jobs")}>‹</a>
        <div>
          <strong>{head?.complaint.map((one) => one.replace(/ \[[^\]]*\]$/, "")).join("; ") ?? say("loading")}</strong>
          {head && (
            <span class="small">
              {head.machine_name}
              {head.unit && <>, <span class="whole">{say("unitIs", { unit: head.unit })}</span></>}, {minutes(head.minutes)}
              {!away && open && carried >= 0 && <span class="carried">{say("carried")}</span>}
              {!away && open && carried < 0 && canCarry() && <span class="news-line">{say("carrying")}</span>}
            </span>
          )}
        </div>
      </header>
      <div class="notes">
        <div class="news" role="status">
          {news.length > 0 && (
            <div class="written">
              <span>
                {news.map((one) => (
                  <span class="news-line">
                    <strong>{one.by || say("somebody")}, {clock(one.when)}:</strong>{" "}
                    {one.words}
                  </span>
                ))}
              </span>
              <button type="button" onClick={() => setNews([])}>{say("seen")}</button>
            </div>
          )}
        </div>
        <QueuedLines away={away} here={here} queued={queued} onDrop={(one) => void drop(one).then(showQueued)} />
        {(part === "next" || part === "log") && stands && <Contradictions stands={stands} />}
      </div>
      {part === "next" && stands && (
        <NextPart
          stands={stands}
          told={told}
          other={other}
          away={away}
          busy={waiting.busy}
          heading={heading}
          onWrite={write}
          onOther={(runnerUp) => load(runnerUp, waiting.run)}
          onClose={close}
        />
      )}
      {part === "suspects" && (
        <SuspectsPart job={job} heading={heading} entries={head?.entries ?? 0} here={here} away={away} busy={waiting.busy}
          onClose={close} />
      )}
      {part === "where" && (suspect
        ? <PathPart job={job} suspect={suspect} heading={heading} entries={head?.entries ?? 0} />
        : <WherePart job={job} heading={heading} entries={head?.entries ?? 0} here={here} />)}
      {part === "mend" && (
        <MendPart job={job} suspect={suspect} heading={heading} entries={head?.entries ?? 0} busy={waiting.busy}
          onWrite={(path, content) => {
            write(path, content);
            location.hash = link("next");
          }} />
      )}
      {part === "proof" && <ProofPart job={job} heading={heading} onWritten={() => load(0)} />}
      {part === "papers" && (
        <PapersPart
          job={job}
          heading={heading}
          entries={head?.entries ?? 0}
          onFile={(file, caption) => write("attachments", { caption }, file)}
          onWritten={() => load(0)}
        />
      )}
      {part === "log" && (
        <LogPart job={job} heading={heading} stands={stands} away={away} busy={waiting.busy} queued={queued} onWrite={write}
          onClose={close} />
      )}
      <nav class="tabs" aria-label={say("parts")}>
        {TABS.map((one) => (
          <a href={link(one)} aria-current={(UNDER[part] ?? part) === one ? "page" : undefined}>{say(one)}</a>
        ))}
      </nav>
      {waiting.shown}
    </div>
  );
}

/** What an entry that waits says, for the person who looks at what waits. */
function wordsOf(path: string, content: object, stands: Working | null): string {
  const said = content as Record<string, string | undefined>;
  if (path === "undo" || path === "restore" || path === "reopen") return say(path === "undo" ? "undo" : "letStand");
  if (path === "notes") return `${say("note")}: ${said.text ?? ""}`;
  if (path === "attachments") return `${say("photos")}: ${said.caption ?? ""}`;
  const step = stands?.next.step;
  const asked = said.check ?? said.repair ?? said.suspect ?? said.function ?? "";
  return `${step?.id === asked ? withoutState(step.short) : asked}: ${said.answer ?? said.why ?? said.went ?? ""}`;
}

/** Findings of which at most one can be so. */
function Contradictions({ stands }: { stands: Working }) {
  const found = stands.contradictions ?? [];
  return (
    <div class="news" role="status">
      {found.length > 0 && (
        <div class="written against">
          <span>
            {found.map((each) => (
              <span class="news-pair" key={each.other.entry}>
                <strong class="news-line">{say("contradiction")}</strong>
                {[each.one, each.other].map((one) => (
                  <span class="news-line">
                    <strong>{one.by || say("somebody")}, {clock(one.when)}:</strong> {one.words}
                  </span>
                ))}
              </span>
            ))}
            <span class="news-line">{say("contradictionHelp")}</span>
          </span>
        </div>
      )}
    </div>
  );
}

/** That the server is out of reach, what waits for it, and what it did not take. */
function QueuedLines({ away, here, queued, onDrop }: {
  away: boolean;
  here: Standing | null;
  queued: Queued[];
  onDrop: (one: Queued) => void;
}) {
  const left = queued.filter((one) => !one.refused).length;
  return (
    <div class="news" role="status">
      {(away || left > 0) && (
        <div class="written away">
          <details>
            <summary>
              {away && <>{say(here ? "goesOnHere" : "outOfReach")}{" "}</>}
              {left > 0 && <strong>{say(left === 1 ? "oneWaits" : "someWait", { n: left })}</strong>}
            </summary>
            {left > 0 && <p>{say("sentLater")}</p>}
            <p>{say(here ? "waitsForServer" : "allWaits")}</p>
          </details>
          {here && here.unweighed > 0 && (
            <span>{say(here.unweighed === 1 ? "oneUnweighed" : "unweighed", { n: here.unweighed })}</span>
          )}
        </div>
      )}
      {queued.filter((one) => one.refused).map((one) => (
        <div class="written away" key={one.number}>
          <span>
            <span class="news-line">{say("notTakenLater", { time: clock(one.when) })}</span>
            <span class="news-line">{one.words}</span>
            <span class="news-line">{one.refused}</span>
          </span>
          <button type="button" onClick={() => onDrop(one)}>{say("seen")}</button>
        </div>
      ))}
    </div>
  );
}
