import { render } from "preact";
import { App } from "./app";
import "./style.css";

const home = document.getElementById("app");
if (home) render(<App />, home);
