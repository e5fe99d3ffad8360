// What must be known before anything is done, first on every screen that asks for work.
import { useEffect, useState } from "preact/hooks";
import { say } from "../texts/say";

/** Cautions in full the first time in a job; later their first sentence, the rest one tap away. */
export function Cautions(given: { job: string; cautions: string[]; stepId: string }) {
  const key = `halfsplit.cautions.${given.job}`;
  const [before] = useState(() => new Map<string, string>(JSON.parse(sessionStorage.getItem(key) ?? "[]")));
  useEffect(() => {
    for (const one of given.cautions) if (!before.has(one)) before.set(one, given.stepId);
    sessionStorage.setItem(key, JSON.stringify([...before]));
  }, [given.stepId]);
  if (given.cautions.length === 0) return null;
  return (
    <section class="cautions" aria-label={say("cautions")}>
      <h2>{say("cautions")}</h2>
      <ul>
        {given.cautions.map((one) => {
          const at = one.indexOf(". ");
          const known = before.has(one) && before.get(one) !== given.stepId && at > 0;
          return (
            <li key={one}>
              {known
                ? <details><summary>{one.slice(0, at + 1)}</summary>{one.slice(at + 2)}</details>
                : one}
            </li>
          );
        })}
      </ul>
    </section>
  );
}
