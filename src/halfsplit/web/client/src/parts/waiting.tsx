// Asking the server with something to look at: after a second what goes on, after five a way out, and every failure.
// What was stopped is not begun again by itself; it can be gone on with by a tap. A tap goes before what the screen asks
// by itself, which is left and asked again after it.
import type { ComponentChildren } from "preact";
import { useCallback, useEffect, useRef, useState } from "preact/hooks";
import { NoAnswerError, RefusedError } from "../server";
import { say } from "../texts/say";
import { Sheet } from "./sheet";

type Doing = (signal: AbortSignal) => Promise<void>;
/** Who asked: a person, the screen that has nothing to show yet, or the screen while it can be used. */
type Asked = "tap" | "screen" | "behind";
type Task = { doing: Doing; from: Asked };

/** Milliseconds after which a person is told that it goes on, and after which it can be stopped. */
const TOLD = 1000;
const STOPPABLE = 5000;

export interface Waiting {
  /** Runs what a person asked for; while it runs nothing else is begun. */
  run: (doing: Doing) => void;
  /** Runs what the screen asks by itself, after what runs now; nobody is kept from tapping meanwhile. */
  look: (doing: Doing) => void;
  /** The same where the screen can be used as it is: that it goes on is not shown over the buttons. */
  behind: (doing: Doing) => void;
  /** Whether something runs that a person asked for. */
  busy: boolean;
  /** Whether a person stopped waiting, and nothing was begun since. */
  stopped: boolean;
  /** What to show over the screen, if anything. */
  shown: ComponentChildren;
}

export function useWaiting(): Waiting {
  const [since, setSince] = useState(0);
  const [passed, setPassed] = useState(0);
  const [failed, setFailed] = useState<{ error: Error; doing: Doing } | null>(null);
  const [left, setLeft] = useState<Doing | null>(null);
  const [shut, setShut] = useState(false);
  const [asked, setAsked] = useState<Asked>("tap");
  const control = useRef<Task & { abort: AbortController } | null>(null);
  const after = useRef<Task | null>(null);

  const begin = (doing: Doing, from: Asked) => {
    const mine = new AbortController();
    control.current = { abort: mine, doing, from };
    setAsked(from);
    setFailed(null);
    setLeft(null);
    setShut(false);
    setSince(Date.now());
    setPassed(0);
    doing(mine.signal)
      .catch((error: unknown) => {
        if (mine.signal.aborted) return;
        after.current = null;
        setFailed({ error: error as Error, doing });
      })
      .finally(() => {
        if (control.current?.abort !== mine) return;
        control.current = null;
        setSince(0);
        const next = after.current;
        after.current = null;
        if (next) begin(next.doing, next.from);
      });
  };
  const run = useCallback((doing: Doing) => {
    if (control.current?.from === "tap") return;
    after.current ??= control.current;
    control.current?.abort.abort();
    begin(doing, "tap");
  }, []);
  const ask = (doing: Doing, from: Asked) => {
    if (control.current) after.current = { doing, from };
    else begin(doing, from);
  };
  const look = useCallback((doing: Doing) => ask(doing, "screen"), []);
  const behind = useCallback((doing: Doing) => ask(doing, "behind"), []);
  const leave = () => {
    after.current = null;
    control.current?.abort.abort();
    control.current = null;
  };

  useEffect(() => {
    if (!since) return;
    const timer = setInterval(() => setPassed(Date.now() - since), 250);
    return () => clearInterval(timer);
  }, [since]);
  useEffect(() => leave, []);

  const stop = () => {
    const what = control.current;
    leave();
    setSince(0);
    setLeft(what ? () => what.doing : null);
  };

  let shown: ComponentChildren = null;
  if (since && passed >= TOLD && asked !== "behind") {
    shown = (
      <div class="working" role="status">
        <div class="sweep" aria-hidden="true" />
        <p><strong>{say("working")}</strong> {say("workingFor", { n: Math.floor(passed / 1000) })}</p>
        {passed >= STOPPABLE && <button type="button" onClick={stop}>{say("cancel")}</button>}
      </div>
    );
  } else if (left && !shut) {
    shown = (
      <div class="working" role="status">
        <p><strong>{say("stopped")}</strong> {say("stoppedHelp")}</p>
        <div class="two">
          <button type="button" onClick={() => setShut(true)}>{say("close")}</button>
          <button type="button" onClick={() => run(left)}>{say("goOn")}</button>
        </div>
      </div>
    );
  } else if (failed?.error instanceof NoAnswerError) {
    const again = failed.doing;
    shown = (
      <Sheet title={say("noAnswer")} onClose={() => setFailed(null)}>
        <p>{say("noAnswerHelp")}</p>
        <button type="button" class="main" onClick={() => run(again)}>{say("tryAgain")}</button>
      </Sheet>
    );
  } else if (failed) {
    const failure = failed.error instanceof RefusedError ? failed.error.failure : null;
    shown = (
      <Sheet title={say("wentWrong")} onClose={() => setFailed(null)}>
        <p>{failure ? failure.what : failed.error.message}</p>
        {failure?.hint && <p>{failure.hint}</p>}
        {(failure?.faults.length ?? 0) > 1 && <ul>{failure?.faults.map((one) => <li>{one.what}</li>)}</ul>}
      </Sheet>
    );
  }
  return { run, look, behind, busy: since > 0 && asked === "tap", stopped: left !== null, shown };
}
