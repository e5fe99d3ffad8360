// Which screen stands under which address: #/, #/open, #/job/ID, #/job/ID/suspects, #/job/ID/where,
// #/job/ID/where/SUSPECT, #/job/ID/log, #/job/ID/mend/SUSPECT, #/job/ID/proof, #/job/ID/papers.
import { useEffect, useState } from "preact/hooks";
import { JobScreen, PARTS } from "./screens/job";
import { JobsScreen } from "./screens/jobs";
import { OpeningScreen } from "./screens/opening";
import { SignInScreen } from "./screens/signin";
import { findSession, type Session, watchSession } from "./session";
import { useWaiting } from "./parts/waiting";

function address(): string[] {
  return location.hash.replace(/^#\/?/, "").split("/").filter(Boolean).map(decodeURIComponent);
}

export function go(...parts: string[]): void {
  location.hash = `/${parts.map(encodeURIComponent).join("/")}`;
}

export function App() {
  const [where, setWhere] = useState(address);
  const [now, setNow] = useState<Session | null>(null);
  const waiting = useWaiting();
  useEffect(() => watchSession(setNow), []);
  useEffect(() => waiting.look(findSession), []);
  useEffect(() => {
    const moved = () => setWhere(address());
    addEventListener("hashchange", moved);
    return () => removeEventListener("hashchange", moved);
  }, []);
  if (!now) return <>{waiting.shown}</>;
  if (now.needed && !now.name) return <SignInScreen />;
  const [screen, job, part, suspect] = where;
  if (screen === "open") return <OpeningScreen />;
  if (screen === "job" && job) {
    const shown = PARTS.find((one) => one === part) ?? "next";
    return <JobScreen key={job} job={job} part={shown} suspect={suspect ?? ""} />;
  }
  return <JobsScreen />;
}
