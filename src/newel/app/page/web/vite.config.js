import { defineConfig } from "vite";

export default defineConfig({
  base: "./",
  build: {
    target: "es2022",
    assetsInlineLimit: 0, // nothing inline: the server allows scripts and styles from its own files only
    modulePreload: { polyfill: false },
    emptyOutDir: true,
    chunkSizeWarningLimit: 800,
  },
});
