// How the suspects split: one bar of all results by their chance, and a line for each with what it would mean.
import type { OutcomeLine } from "../server";
import { percent, say } from "../texts/say";

/** Below these odds nothing stands out; the same as on the command line. */
const STANDS_OUT = 0.1;

export function meaning(one: OutcomeLine): string {
  const first = one.means[0];
  if (!first || first.odds < STANDS_OUT) return say("nothingStands");
  return one.means
    .filter((each) => each.odds >= Math.max(STANDS_OUT / 2, 0.2 * first.odds))
    .map((each) => `${each.repair} ${percent(each.odds)}`)
    .join(", ");
}

/** The repair that a result points to first, in a few words. */
export function firstMeaning(one: OutcomeLine): string {
  const first = one.means[0];
  return first && first.odds >= STANDS_OUT ? `${first.repair} ${percent(first.odds)}` : say("nothingStands");
}

export function Split({ outcomes }: { outcomes: OutcomeLine[] }) {
  return (
    <div class="split">
      <div class="bar" aria-hidden="true">
        {outcomes.map((one, at) => (
          <span class={`part part-${at % 6}`} style={{ flexGrow: String(Math.max(one.chance, 0.004)) }} />
        ))}
      </div>
      <ul>
        {outcomes.map((one, at) => (
          <li>
            <span class={`swatch part-${at % 6}`} aria-hidden="true" />
            <span class="result">
              <span class="label">
                <strong>{one.label}</strong>
                {one.healthy && <span class="sound"> ✓ {say("asItShould")}</span>}
              </span>
              <span class="chance">{percent(one.chance)}</span>
              <span class="means">{meaning(one)}</span>
            </span>
          </li>
        ))}
      </ul>
    </div>
  );
}
