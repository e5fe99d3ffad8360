// Where a job stands by the phone, with answers that wait: node stands.mjs STANDING CASES ANSWERS
import { readFileSync, writeFileSync } from "node:fs";
import { gunzipSync } from "node:zlib";

globalThis.navigator ??= { language: "en" };
const [, , code, cases, answers] = process.argv;
const { standing, tableOf } = await import(code);

const { sent, base, queues } = JSON.parse(gunzipSync(readFileSync(cases)));
const table = tableOf(sent);
const had = { entries: sent.entries, found: table.found, numbers: sent.numbers, open_steps: sent.open_steps };
writeFileSync(answers, JSON.stringify(queues.map((queued) => standing(table, sent.said, had, base, queued, 0))));
