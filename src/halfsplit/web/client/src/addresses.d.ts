// What the build makes of an import of a thread's own file: its address.
declare module "*?worker&url" {
  const address: string;
  export default address;
}
