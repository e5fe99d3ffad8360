// What the report is written from beside the hunt: photos and voice notes, material, drives, advice; and the report.
import type { ComponentChildren, RefObject } from "preact";
import { useEffect, useState } from "preact/hooks";
import { Attach } from "../parts/attach";
import { useWaiting } from "../parts/waiting";
import { type AttachmentLine, fetchFile, get, jobPath, newSending, type Papers, partPath, send } from "../server";
import { say } from "../texts/say";

type Whom = "customer" | "technician";

/** Milliseconds in which the browser has begun to save a file. No source. */
const SAVED = 60_000;

export function PapersPart(given: {
  job: string;
  entries: number;
  heading: RefObject<HTMLHeadingElement | null>;
  onFile: (file: File, caption: string) => void;
  onWritten: () => void;
}) {
  const [found, setFound] = useState<Papers | null>(null);
  const [blank, setBlank] = useState<{ face: Whom; signs: string } | null>(null);
  const waiting = useWaiting();
  const load = () => waiting.look(async (signal) => setFound(await get<Papers>(jobPath(given.job, "papers"), signal)));
  useEffect(load, [given.job, given.entries]);
  const write = (path: "used" | "travel" | "advice", content: object) => {
    const sending = newSending();
    waiting.run(async (signal) => {
      setFound(await send<Papers>(jobPath(given.job, path), content, sending, signal));
      given.onWritten();
    });
  };
  // Written on the server, which may take a while for a long job; then the phone saves it.
  const report = (face: Whom, ending: "pdf" | "html" = "pdf") => waiting.run(async (signal) => {
    const link = document.createElement("a");
    const { file, unprinted } = await fetchFile(jobPath(given.job, `report.${ending}?face=${face}`), signal);
    setBlank(unprinted ? { face, signs: unprinted } : null);
    link.href = URL.createObjectURL(file);
    link.download = file.name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), SAVED);
  });
  const lines = (kind: string) => found?.lines.filter((one) => one.kind === kind) ?? [];
  return (
    <main>
      <a class="back" href={partPath(given.job, "log")}>‹ {say("log")}</a>
      <h1 ref={given.heading} tabIndex={-1}>{say("papers")}</h1>
      <p class="help">{say("papersHelp")}</p>
      <div class="columns">
        <div>
          <h2>{say("report")}</h2>
          <div class="choices one-column">
            <button type="button" class="main" disabled={waiting.busy} onClick={() => report("customer")}>
              {say("reportCustomer")}
            </button>
            <button type="button" disabled={waiting.busy} onClick={() => report("technician")}>
              {say("reportTechnician")}
            </button>
          </div>
          <div role="status">
            {blank && (
              <div class="notice gap">
                <p>{say("unprinted", { signs: blank.signs })}</p>
                <button type="button" disabled={waiting.busy} onClick={() => report(blank.face, "html")}>
                  {say("reportPage")}
                </button>
              </div>
            )}
          </div>
          <h2>{say("photos")}</h2>
          {found && found.attachments.length === 0 && <p>{say("noFiles")}</p>}
          <ul class="files">{found?.attachments.map((one) => <FileLine job={given.job} one={one} />)}</ul>
          <Attach onFile={given.onFile} />
        </div>
        <div>
          <Form title={say("used")} lines={lines("part-used")} busy={waiting.busy} fields={["usedWhat", "partNumber", "quantity"]}
            onAdd={([text = "", number = "", quantity = ""]) =>
              write("used", { text, number, quantity: quantity || "1" })} />
          <Form title={say("drive")} lines={lines("travel-done")} busy={waiting.busy} fields={["driveMinutes", "kilometres"]}
            onAdd={([spent = "", far = ""]) => write("travel", { minutes: `${spent} min`, distance: far && `${far} km` })} />
          <Form title={say("advice")} lines={lines("advice-given")} busy={waiting.busy} fields={["adviceText", "adviceDue"]}
            onAdd={([text = "", due = ""]) => write("advice", { text, next_inspection: due })} />
        </div>
      </div>
      {waiting.shown}
    </main>
  );
}

function FileLine({ job, one }: { job: string; one: AttachmentLine }) {
  const at = jobPath(job, `attachments/${one.sha256}`);
  return (
    <li>
      <a href={at} target="_blank" rel="noreferrer" class="file">
        {one.picture && one.here && <img src={at} alt="" loading="lazy" />}
        <span>{one.caption || one.name}<span class="small">{one.media}</span></span>
      </a>
    </li>
  );
}

type Field = "usedWhat" | "partNumber" | "quantity" | "driveMinutes" | "kilometres" | "adviceText" | "adviceDue";
const NUMBERS: Field[] = ["quantity", "driveMinutes", "kilometres"];

function Form(given: {
  title: string;
  lines: { words: string }[];
  fields: Field[];
  busy: boolean;
  onAdd: (typed: string[]) => void;
}): ComponentChildren {
  const [typed, setTyped] = useState<string[]>([]);
  return (
    <section>
      <h2>{given.title}</h2>
      <ul class="plain-list">{given.lines.map((one) => <li>{one.words}</li>)}</ul>
      {given.fields.map((field, at) => (
        <label class="field writes">
          {say(field)}
          <input
            autocomplete="off"
            inputMode={NUMBERS.includes(field) ? "decimal" : "text"}
            value={typed[at] ?? ""}
            onInput={(event) => {
              const now = [...typed];
              now[at] = event.currentTarget.value;
              setTyped(now);
            }}
          />
        </label>
      ))}
      <button
        type="button"
        class="wide writes"
        disabled={!typed[0]?.trim() || given.busy}
        onClick={() => {
          given.onAdd(given.fields.map((_, at) => (typed[at] ?? "").trim()));
          setTyped([]);
        }}
      >
        {say("add")}: {given.title}
      </button>
    </section>
  );
}
