// The hunt on the phone, with everything it is made of.
export { Hunt } from "./hunt";
export { checkOf, tableOf } from "./table";
