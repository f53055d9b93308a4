// One script and one style, without hashes in their names and without anything loaded later.
import { defineConfig } from "vite";

export default defineConfig({
  build: {
    target: "es2021",
    outDir: "built",
    emptyOutDir: true,
    cssCodeSplit: false,
    modulePreload: false,
    lib: { entry: "src/main.ts", formats: ["iife"], name: "roof3dPage", fileName: () => "page.js", cssFileName: "page" },
  },
  esbuild: { legalComments: "inline" },
});
