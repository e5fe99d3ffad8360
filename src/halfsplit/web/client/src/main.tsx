import { render } from "preact";
import { App } from "./app";
import "./style.css";

const home = document.getElementById("app");
if (home) render(<App />, home);

// Where the browser allows it (a secure context), the app opens and shows what it last saw without the server too.
if ("serviceWorker" in navigator) addEventListener("load", () => void navigator.serviceWorker.register("/worker.js"));
