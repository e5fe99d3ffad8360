// A photo from the camera or a voice note, kept with the job.
import { useState } from "preact/hooks";
import { say } from "../texts/say";

export function Attach(given: { onFile: (file: File, caption: string) => void }) {
  const [caption, setCaption] = useState("");
  const take = (input: HTMLInputElement) => {
    const file = input.files?.[0];
    if (!file) return;
    input.value = "";
    setCaption("");
    given.onFile(file, caption.trim());
  };
  return (
    <div class="attach writes">
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
    </div>
  );
}
