// A number pad for wet gloves: type the number, tap its unit, and it is written down.
import { useState } from "preact/hooks";
import type { Asked, OutcomeLine } from "../server";
import { say } from "../texts/say";
import { Sheet } from "./sheet";
import { firstMeaning } from "./split";

const DIGITS = ["1", "2", "3", "4", "5", "6", "7", "8", "9"];
const LONGEST = 8;

function falls(outcomes: OutcomeLine[], value: number): OutcomeLine | undefined {
  return outcomes.find((one) =>
    (one.low !== null || one.high !== null) && value >= (one.low ?? -Infinity) && value <= (one.high ?? Infinity));
}

export function Pad(given: {
  asked: Asked;
  outcomes: OutcomeLine[];
  onAnswer: (text: string) => void;
  onClose: () => void;
}) {
  const [typed, setTyped] = useState("");
  const add = (sign: string) => setTyped((now) => {
    if (now.replace("-", "").length >= LONGEST) return now;
    if (sign === "." && now.includes(".")) return now;
    return now + sign;
  });
  const turn = () => setTyped((now) => now.startsWith("-") ? now.slice(1) : `-${now}`);
  const value = /\d/.test(typed) ? Number(typed) : NaN;
  const known = !Number.isNaN(value);
  return (
    <Sheet title={say("reading")} onClose={given.onClose}>
      <div class="pad">
        <input
          class="display"
          aria-label={say("reading")}
          inputMode="none"
          autocomplete="off"
          value={typed}
          onInput={(event) => {
            const now = event.currentTarget.value.replace(",", ".").replace(/[^\d.-]/g, "").slice(0, LONGEST + 1);
            setTyped(now);
            event.currentTarget.value = now;
          }}
        />
        <p class="would" aria-live="polite">
          {known
            ? given.asked.units.map((unit) => {
              const one = falls(given.outcomes, value * unit.factor);
              return (
                <span>
                  <strong>{typed} {unit.text}</strong>{" "}
                  {one ? say("wouldMean", { label: one.healthy ? say("asItShould") : one.label, means: firstMeaning(one) })
                    : say("outside")}
                </span>
              );
            })
            : <span class="help">{say("readingHelp")}</span>}
        </p>
        <div class="keys">
          {DIGITS.map((digit) => <button type="button" onClick={() => add(digit)}>{digit}</button>)}
          <button type="button" onClick={() => add(".")}>.</button>
          <button type="button" onClick={() => add("0")}>0</button>
          <button type="button" aria-label={say("deleteDigit")} onClick={() => setTyped((now) => now.slice(0, -1))}>
            ⌫
          </button>
        </div>
        <div class="units">
          <button type="button" class="sign-key" aria-label={say("changeSign")} onClick={turn}>±</button>
          {given.asked.units.map((unit) => (
            <button
              type="button"
              class="main"
              disabled={!known}
              aria-label={say("recordAs", { unit: unit.text })}
              onClick={() => given.onAnswer(`${value} ${unit.text}`)}
            >
              {unit.text}
            </button>
          ))}
          {given.asked.choices.map((choice) => (
            <button type="button" class="main" onClick={() => given.onAnswer(choice.text)}>{choice.label}</button>
          ))}
        </div>
      </div>
    </Sheet>
  );
}
