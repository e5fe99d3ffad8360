// Opening a job: the machine, what fails on it, and when.
import { useEffect, useRef, useState } from "preact/hooks";
import { go } from "../app";
import { type Chosen, FunctionChooser } from "../parts/functions";
import { Sheet } from "../parts/sheet";
import { TypedUnit } from "../parts/unit";
import { useWaiting } from "../parts/waiting";
import {
  type ComplaintForm,
  get,
  keepName,
  type MachineLines,
  name,
  newSending,
  send,
  type Working,
} from "../server";
import { session } from "../session";
import { say, sayCondition } from "../texts/say";

export function OpeningScreen() {
  const [machines, setMachines] = useState<MachineLines | null>(null);
  const [form, setForm] = useState<ComplaintForm | null>(null);
  const [told, setTold] = useState<Chosen[]>([]);
  const [conditions, setConditions] = useState<string[]>([]);
  const [sleeps, setSleeps] = useState(false);
  const [unit, setUnit] = useState("");
  const [words, setWords] = useState("");
  const [who, setWho] = useState(name());
  const [choosing, setChoosing] = useState(false);
  /** The id of the message by what it says: said otherwise it is another one, even if the first was stopped. */
  const sent = useRef({ text: "", sending: "" });
  const waiting = useWaiting();

  useEffect(() => {
    document.title = say("openJob");
    waiting.look(async (signal) => setMachines(await get<MachineLines>("/api/machines", signal)));
  }, []);

  const pick = (machine: string) => waiting.run(async (signal) => {
    setForm(await get<ComplaintForm>(`/api/machines/${encodeURIComponent(machine)}`, signal));
    setTold([]);
  });
  const toggle = (word: string) =>
    setConditions((now) => now.includes(word) ? now.filter((one) => one !== word) : [...now, word]);
  const start = () => {
    if (!form) return;
    keepName(who.trim());
    const content = {
      machine: form.machine,
      unit: unit.trim(),
      told: told.map((one) => ({ function: one.function, state: one.state, level: one.level })),
      conditions,
      comes_and_goes: sleeps,
      words: words.trim(),
    };
    const text = JSON.stringify(content);
    if (sent.current.text !== text) sent.current = { text, sending: newSending() };
    waiting.run(async (signal) => {
      const found = await send<Working>("/api/jobs", content, sent.current.sending, signal);
      go("job", found.next.head.job);
    });
  };

  return (
    <div class="screen plain">
      <main>
        <a class="back" href="#/">‹ {say("jobs")}</a>
        <h1>{say("openJob")}</h1>
        <p class="help">{say("openingHelp")}</p>
        <fieldset>
          <legend>{say("machine")}</legend>
          <div class="choices one-column">
            {machines?.machines.map((one) => (
              <label class="choice">
                <input
                  type="radio"
                  name="machine"
                  checked={form?.machine === one.machine}
                  onChange={() => pick(one.machine)}
                />
                <span>
                  {one.name}
                  <span class="small">{one.maker.replace(/ \(invented\)$/, "")}
                    {one.invented && ` (${say("invented")})`}</span>
                </span>
              </label>
            ))}
          </div>
        </fieldset>
        {form && (
          <>
            <h2>{say("whatFails")}</h2>
            <ul class="told">
              {told.map((one, at) => (
                <li>
                  <span><strong>{one.name}: {one.level}</strong><br />{one.stateName}</span>
                  <button
                    type="button"
                    class="quiet"
                    aria-label={say("remove", { what: one.name })}
                    onClick={() => setTold(told.filter((_, other) => other !== at))}
                  >
                    ✕
                  </button>
                </li>
              ))}
            </ul>
            <button type="button" class="wide" onClick={() => setChoosing(true)}>
              + {say(told.length ? "addAnother" : "addFailing")}
            </button>
            <fieldset>
              <legend>{say("conditions")}</legend>
              <div class="choices">
                <label class="choice">
                  <input type="checkbox" checked={sleeps} onChange={() => setSleeps(!sleeps)} />
                  <span>{say("comesAndGoes")}</span>
                </label>
                {form.conditions.map((word) => (
                  <label class="choice">
                    <input type="checkbox" checked={conditions.includes(word)} onChange={() => toggle(word)} />
                    <span>{sayCondition(word)}</span>
                  </label>
                ))}
              </div>
            </fieldset>
            <label class="field">
              {say("unit")}
              <input
                list="units"
                autocomplete="off"
                value={unit}
                onInput={(event) => setUnit(event.currentTarget.value)}
              />
            </label>
            <TypedUnit machine={form.machine} unit={unit} />
            <datalist id="units">{form.units.map((one) => <option value={one} />)}</datalist>
            <label class="field">
              {say("ownWords")}
              <textarea rows={3} value={words} onInput={(event) => setWords(event.currentTarget.value)} />
            </label>
            {!session()?.name && (
              <label class="field">
                {say("yourName")}
                <input autocomplete="name" value={who} onInput={(event) => setWho(event.currentTarget.value)} />
              </label>
            )}
          </>
        )}
      </main>
      <div class="dock">
        <button type="button" class="main" disabled={!form || !told.length || waiting.busy} onClick={start}>
          {say(form && !told.length ? "needFailing" : form ? "start" : "chooseMachine")}
        </button>
      </div>
      {choosing && form && (
        <Sheet title={say("whatFails")} onClose={() => setChoosing(false)}>
          <FunctionChooser
            form={form}
            sound={false}
            onChosen={(one) => {
              setTold([...told, one]);
              setChoosing(false);
            }}
          />
        </Sheet>
      )}
      {waiting.shown}
    </div>
  );
}
