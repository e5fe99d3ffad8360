// Choosing a function of the machine, the state it was seen in, and what it did.
import { useState } from "preact/hooks";
import type { ComplaintForm, FunctionLine } from "../server";
import { say } from "../texts/say";

export interface Chosen {
  function: string;
  name: string;
  state: string;
  stateName: string;
  level: string;
}

/** ``sound`` offers what should be seen, too: for something seen, not for a complaint. */
export function FunctionChooser(given: {
  form: ComplaintForm;
  sound: boolean;
  onChosen: (one: Chosen) => void;
}) {
  const [wanted, setWanted] = useState("");
  const [picked, setPicked] = useState<FunctionLine | null>(null);
  if (picked) return <Levels picked={picked} sound={given.sound} onChosen={given.onChosen} />;
  const plain = wanted.trim().toLocaleLowerCase();
  const listed = given.form.functions.filter((one) =>
    one.states.length > 0 && `${one.name} ${one.function}`.toLocaleLowerCase().includes(plain));
  return (
    <>
      <p class="help">{say("functionHelp")}</p>
      <label class="field">
        {say("filter")}
        <input type="search" value={wanted} onInput={(event) => setWanted(event.currentTarget.value)} />
      </label>
      {listed.length === 0 && <p>{say("noneFound")}</p>}
      <ul class="choices one-column gap">
        {listed.map((one) => (
          <li><button type="button" onClick={() => setPicked(one)}>{one.name}</button></li>
        ))}
      </ul>
    </>
  );
}

function Levels(given: { picked: FunctionLine; sound: boolean; onChosen: (one: Chosen) => void }) {
  const { picked } = given;
  const [at, setAt] = useState(0);
  const state = picked.states[at];
  if (!state) return null;
  const words = [
    ...(given.sound ? [{ text: state.expected, label: `✓ ${state.expected}` }] : []),
    ...state.amiss,
  ];
  return (
    <>
      <p class="picked">{picked.name}</p>
      <label class="field">
        {say("whichState")}
        <select value={String(at)} onChange={(event) => setAt(Number(event.currentTarget.value))}>
          {picked.states.map((one, number) => <option value={String(number)}>{one.name}</option>)}
        </select>
      </label>
      <p id="what-does">{say("whatDoes")} <span class="small">({say("should", { word: state.expected })})</span></p>
      <ul class="choices" aria-labelledby="what-does">
        {words.map((one) => (
          <li>
            <button
              type="button"
              onClick={() => given.onChosen({
                function: picked.function,
                name: picked.name,
                state: state.state,
                stateName: state.name,
                level: one.text,
              })}
            >
              {one.label}
            </button>
          </li>
        ))}
      </ul>
    </>
  );
}
