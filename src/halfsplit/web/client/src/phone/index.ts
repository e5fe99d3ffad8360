// How a job stands by what a phone carries, with everything it is made of.
export { standing } from "./standing";
export { tableOf } from "../twin";
