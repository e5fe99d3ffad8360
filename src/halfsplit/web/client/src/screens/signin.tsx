// Signing in, where the server serves people in the network.
import { useEffect, useRef, useState } from "preact/hooks";
import { LanguageChoice } from "../parts/language";
import { useWaiting } from "../parts/waiting";
import { name } from "../server";
import { type Session, signIn, signOut } from "../session";
import { say } from "../texts/say";

export function SignInScreen() {
  const [who, setWho] = useState(name());
  const [password, setPassword] = useState("");
  const [shows, setShows] = useState(false);
  const heading = useRef<HTMLHeadingElement>(null);
  const waiting = useWaiting();
  useEffect(() => {
    document.title = say("signIn");
    heading.current?.focus();
  }, []);
  const ready = who.trim() !== "" && password !== "" && !waiting.busy;
  return (
    <form
      class="screen plain sign-in"
      onSubmit={(event) => {
        event.preventDefault();
        if (ready) waiting.run((signal) => signIn(who.trim(), password, signal));
      }}
    >
      <main>
        <h1 ref={heading} tabIndex={-1}>{say("signIn")}</h1>
        <p class="help">{say("signInHelp")}</p>
        <div class="pair">
          <label class="field">
            {say("name")}
            <input
              autocomplete="username"
              autocapitalize="none"
              spellcheck={false}
              value={who}
              onInput={(event) => setWho(event.currentTarget.value)}
            />
          </label>
          <label class="field">
            {say("password")}
            <input
              type={(shows ? "text" : "password") as "password"}
              autocomplete="current-password"
              autocapitalize="none"
              spellcheck={false}
              value={password}
              onInput={(event) => setPassword(event.currentTarget.value)}
            />
          </label>
        </div>
        <label class="choice gap">
          <input type="checkbox" checked={shows} onChange={() => setShows(!shows)} />
          <span>{say("showPassword")}</span>
        </label>
        <LanguageChoice />
      </main>
      <div class="dock">
        <button type="submit" class="main" disabled={!ready}>{say("signIn")}</button>
      </div>
      {waiting.shown}
    </form>
  );
}

/** Who is signed in, with the way out. */
export function SignedIn({ now }: { now: Session }) {
  const waiting = useWaiting();
  if (!now.needed) return null;
  return (
    <section class="signed">
      <p>
        {say("signedInAs", { name: now.name })}
        {now.role && <span class="small">{say(now.role)}</span>}
      </p>
      <button type="button" onClick={() => waiting.run(signOut)}>{say("signOut")}</button>
      {waiting.shown}
    </section>
  );
}
