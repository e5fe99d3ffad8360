// One job: its head, its three parts, and where it stands. Whatever is written down goes through here.
import { useEffect, useRef, useState } from "preact/hooks";
import { useWaiting } from "../parts/waiting";
import { drop, flush, keep, type Queued, waiting as waitingIn } from "../queue";
import {
  get, jobPath, listen, type Log, type News, newSending, NoAnswerError, send, watchReach, type Working,
} from "../server";
import { minutes, say } from "../texts/say";
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
const TIME = { hour: "2-digit", minute: "2-digit" } as const;

/** Milliseconds after which a server that was out of reach is asked again. */
const AGAIN = 2000;

/** The tab under which a part without one of its own stands. */
const UNDER: Partial<Record<Part, Part>> = { mend: "next", proof: "log", papers: "log" };

/** Writes something down; ``path`` is that under the job. */
export type Write = (path: "findings" | "corrections" | "undo" | "restore" | "notes" | "reopen", content: object) => void;

export function JobScreen({ job, part, suspect }: { job: string; part: Part; suspect: string }) {
  const [stands, setStands] = useState<Working | null>(null);
  const [other, setOther] = useState(0);
  const [told, setTold] = useState<string[]>([]);
  const [news, setNews] = useState<News["lines"]>([]);
  const [behind, setBehind] = useState(false);
  const [queued, setQueued] = useState<Queued[]>([]);
  const [away, setAway] = useState(false);
  const heading = useRef<HTMLHeadingElement>(null);
  const waiting = useWaiting(() => load(other));

  const load = (runnerUp: number) => waiting.run(async (signal) => {
    setStands(await get<Working>(jobPath(job, `next?other=${runnerUp}`), signal));
    setOther(runnerUp);
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
      if (waiting.busy || document.querySelector("dialog[open]")) return;
      setBehind(false);
      load(0);
    }, 200);
    return () => clearInterval(timer);
  }, [behind, waiting.busy]);

  const showQueued = async () => setQueued(await waitingIn(job));
  const sendQueued = async (fresh: string, signal: AbortSignal) => {
    try {
      const found = await flush(job, fresh, signal);
      if (!found) return;
      setStands(found);
      setOther(0);
      setTold(found.repeated ? [say("recordedBefore")] : found.recorded);
    } catch (error) {
      if (!(error instanceof NoAnswerError)) throw error;
      setTold([say("keptHere")]);
    } finally {
      await showQueued();
    }
  };
  // What is written down is on the phone's disk before it is sent, and goes from there when the server has it.
  const write: Write = (path, content) => {
    const sending = newSending();
    const when = new Date().toISOString();
    let kept = false;
    waiting.run(async (signal) => {
      if (!kept) await keep({ job, path, content, sending, when });
      kept = true;
      await sendQueued(sending, signal);
    });
  };
  useEffect(() => void showQueued(), [job]);
  useEffect(() => watchReach(setAway), []);
  const left = queued.some((one) => !one.refused);
  useEffect(() => {
    if (!left && !away) return;
    const again = () => {
      if (waiting.busy || document.querySelector("dialog[open]")) return;
      if (left) waiting.run((signal) => sendQueued("", signal));
      else load(other);
    };
    const timer = setInterval(again, AGAIN);
    addEventListener("online", again);
    return () => {
      clearInterval(timer);
      removeEventListener("online", again);
    };
  }, [left, away, waiting.busy]);
  const close = (cause: string) => {
    const sending = newSending();
    waiting.run(async (signal) => {
      await send<Log>(jobPath(job, "close"), { cause }, sending, signal);
      setStands(await get<Working>(jobPath(job, "next"), signal));
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
              {head.unit && `, ${say("unitIs", { unit: head.unit })}`}, {minutes(head.minutes)}
            </span>
          )}
        </div>
      </header>
      <div class="news" role="status">
        {news.length > 0 && (
          <div class="written">
            <span>
              {news.map((one) => (
                <span class="news-line">
                  <strong>
                    {one.by || say("somebody")}, {new Date(one.when).toLocaleTimeString([], TIME)}:
                  </strong>{" "}
                  {one.words}
                </span>
              ))}
            </span>
            <button type="button" onClick={() => setNews([])}>{say("seen")}</button>
          </div>
        )}
      </div>
      <QueuedLines away={away} queued={queued} onDrop={(one) => void drop(one).then(showQueued)} />
      {part === "next" && stands && (
        <NextPart
          stands={stands}
          told={told}
          other={other}
          busy={waiting.busy}
          heading={heading}
          onWrite={write}
          onOther={load}
          onClose={close}
        />
      )}
      {part === "suspects" && (
        <SuspectsPart job={job} heading={heading} entries={head?.entries ?? 0} onClose={close} />
      )}
      {part === "where" && (suspect
        ? <PathPart job={job} suspect={suspect} heading={heading} entries={head?.entries ?? 0} />
        : <WherePart job={job} heading={heading} entries={head?.entries ?? 0} />)}
      {part === "mend" && (
        <MendPart job={job} suspect={suspect} heading={heading} entries={head?.entries ?? 0} busy={waiting.busy}
          onWrite={(path, content) => {
            write(path, content);
            location.hash = link("next");
          }} />
      )}
      {part === "proof" && <ProofPart job={job} heading={heading} onWritten={() => load(0)} />}
      {part === "papers" && <PapersPart job={job} heading={heading} onWritten={() => load(0)} />}
      {part === "log" && <LogPart job={job} heading={heading} stands={stands} onWrite={write} onClose={close} />}
      <nav class="tabs" aria-label={say("parts")}>
        {TABS.map((one) => (
          <a href={link(one)} aria-current={(UNDER[part] ?? part) === one ? "page" : undefined}>{say(one)}</a>
        ))}
      </nav>
      {waiting.shown}
    </div>
  );
}

/** That the server is out of reach, what waits for it, and what it did not take. */
function QueuedLines({ away, queued, onDrop }: {
  away: boolean;
  queued: Queued[];
  onDrop: (one: Queued) => void;
}) {
  const left = queued.filter((one) => !one.refused).length;
  return (
    <div class="news" role="status">
      {(away || left > 0) && (
        <div class="written away">
          <span>
            {away && <span class="news-line">{say("outOfReach")}</span>}
            {left > 0 && <span class="news-line">{say(left === 1 ? "oneWaits" : "someWait", { n: left })}</span>}
          </span>
        </div>
      )}
      {queued.filter((one) => one.refused).map((one) => (
        <div class="written away" key={one.number}>
          <span>
            <span class="news-line">{say("notTakenLater", { time: new Date(one.when).toLocaleTimeString([], TIME) })}</span>
            <span class="news-line">{JSON.stringify(one.content)}</span>
            <span class="news-line">{one.refused}</span>
          </span>
          <button type="button" onClick={() => onDrop(one)}>{say("seen")}</button>
        </div>
      ))}
    </div>
  );
}
