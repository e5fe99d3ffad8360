// The jobs at hand, the one touched last first.
import { useEffect, useState } from "preact/hooks";
import { go } from "../app";
import { useWaiting } from "../parts/waiting";
import { get, type JobCards } from "../server";
import { session } from "../session";
import { LanguageChoice } from "../parts/language";
import { dayAndClock, minutes, say } from "../texts/say";
import { SignedIn } from "./signin";

export function JobsScreen() {
  const now = session();
  const [cards, setCards] = useState<JobCards | null>(null);
  const waiting = useWaiting();
  useEffect(() => {
    document.title = say("app");
    waiting.look(async (signal) => setCards(await get<JobCards>("/api/jobs", signal)));
  }, []);
  return (
    <div class="screen plain">
      <main>
        <h1>{say("jobs")}</h1>
        <p class="help">{say(now?.role === "read-only" ? "jobsReadHelp" : "jobsHelp")}</p>
        {cards && cards.jobs.length === 0 && <p>{say("noJobs")}</p>}
        <ul class="cards">
          {cards?.jobs.map((one) => (
            <li>
              <a class={`card ${one.state}`} href={`#/job/${encodeURIComponent(one.job)}`}>
                <strong>{one.complaint.join("; ")}</strong>
                <span>
                  {one.machine_name}
                  {one.unit && <>, <span class="whole">{say("unitIs", { unit: one.unit })}</span></>}
                </span>
                <span class="small">
                  {one.state === "closed" ? `${say("closedJob")}, ` : ""}
                  {dayAndClock(one.changed)}
                  {one.minutes > 0 && `, ${minutes(one.minutes)}`}
                </span>
              </a>
            </li>
          ))}
        </ul>
        {cards && cards.more > 0 && <p>{say(cards.more === 1 ? "oneMoreJob" : "moreJobs", { n: cards.more })}</p>}
        {now && <SignedIn now={now} />}
        <LanguageChoice />
      </main>
      <div class="dock">
        <button type="button" class="main" onClick={() => go("open")}>{say("openJob")}</button>
      </div>
      {waiting.shown}
    </div>
  );
}
