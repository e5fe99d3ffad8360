// Works jobs through with the phone's own code: node answers.mjs TWIN JOBS ANSWERS
import { readFileSync, writeFileSync } from "node:fs";
import { gunzipSync } from "node:zlib";

const [, , twin, jobs, answers] = process.argv;
const { checkOf, Hunt, tableOf } = await import(twin);

function stands(hunt) {
  const { belief } = hunt;
  const { options } = hunt.ranked();
  const next = hunt.next();
  return {
    there: [...belief.there],
    gone: [...belief.gone],
    nothing: belief.nothing,
    other: belief.other,
    logEvidence: belief.logEvidence,
    options: options.map((one) => [one.check?.id ?? one.repair.id, one.information, one.minutes, one.stale ?? false]),
    next: [next.kind, next.best?.check?.id ?? next.best?.repair?.id ?? ""],
  };
}

const said = readFileSync(jobs);
const all = JSON.parse(said[0] === 0x1f ? gunzipSync(said) : said);
writeFileSync(answers, JSON.stringify(all.map(({ table, found }) => {
  const hunt = new Hunt(tableOf(table));
  const seen = [stands(hunt)];
  for (const { observation, check } of found) {
    hunt.take({ observation, check: check && checkOf(check) });
    seen.push(stands(hunt));
  }
  return seen;
})));
