import { render } from "preact";
import { App } from "./app";
import { chooseLanguage, watchLanguage } from "./texts/language";
import { spoken } from "./texts/say";
import "./style.css";

const home = document.getElementById("app");

/** The app from its beginning: another language says everything anew. */
function show(): void {
  if (home) render(<App key={spoken().language} />, home);
}

watchLanguage(show);
void chooseLanguage().then(show);

// Where the browser allows it (a secure context), the app opens and shows what it last saw without the server too.
if ("serviceWorker" in navigator) addEventListener("load", () => void navigator.serviceWorker.register("/worker.js"));
