// Builds the app into ../built: one page, and files named by their content under files/.
import { defineConfig } from "vite";

export default defineConfig({
  base: "/",
  oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
  build: {
    outDir: "../built",
    assetsDir: "files",
    emptyOutDir: true,
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    target: "es2022",
  },
});
