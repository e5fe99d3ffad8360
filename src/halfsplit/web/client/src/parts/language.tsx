// The choice of language; each is named in its own words.
import { type Language, LANGUAGES, speak } from "../texts/language";
import { say, spoken } from "../texts/say";

export function LanguageChoice() {
  return (
    <fieldset class="languages">
      <legend>{say("language")}</legend>
      <div class="choices">
        {(Object.keys(LANGUAGES) as Language[]).map((one) => (
          <button type="button" lang={one} aria-pressed={one === spoken().language} onClick={() => void speak(one)}>
            {LANGUAGES[one]}
          </button>
        ))}
      </div>
    </fieldset>
  );
}
