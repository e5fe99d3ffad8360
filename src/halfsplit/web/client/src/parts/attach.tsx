// A photo from the camera or a voice note, kept with the job.
import { useState } from "preact/hooks";
import { jobPath, newSending, type Papers, sendFile } from "../server";
import { say } from "../texts/say";
import { useWaiting } from "./waiting";

export function Attach(given: { job: string; onAttached: (papers: Papers) => void }) {
  const [caption, setCaption] = useState("");
  const waiting = useWaiting();
  const take = (input: HTMLInputElement) => {
    const file = input.files?.[0];
    if (!file) return;
    const sending = newSending();
    waiting.run(async (signal) => {
      const papers = await sendFile<Papers>(jobPath(given.job, "attachments"), file, caption.trim(), sending, signal);
      input.value = "";
      setCaption("");
      given.onAttached(papers);
    });
  };
  return (
    <div class="attach">
      <label class="field">
        {say("caption")}
        <input autocomplete="off" value={caption} onInput={(event) => setCaption(event.currentTarget.value)} />
      </label>
      <div class="choices gap">
        <label class="choice file-choice">
          <input type="file" accept="image/*" capture="environment" onChange={(event) => take(event.currentTarget)} />
          <span>{say("takePhoto")}</span>
        </label>
        <label class="choice file-choice">
          <input type="file" accept="audio/*" onChange={(event) => take(event.currentTarget)} />
          <span>{say("addVoice")}</span>
        </label>
      </div>
      {waiting.shown}
    </div>
  );
}
