import { createHash } from "node:crypto";
import { readdirSync, readFileSync } from "node:fs";
import { defineConfig } from "vite";

// What the script was built from; a test compares it with the sources, so that a stale script is seen without node.
function sources() {
  const digest = createHash("sha256");
  const files = readdirSync("src").filter((name) => name.endsWith(".ts")).sort().map((name) => `src/${name}`);
  for (const name of [...files, "vite.config.js", "tsconfig.json"]) digest.update(`${name}\0`).update(readFileSync(name)).update("\0");
  return digest.digest("hex");
}

const banner = {
  name: "banner",
  generateBundle(_options, bundle) {
    for (const file of Object.values(bundle))
      if (file.type === "chunk") file.code = `/* built from web/ by vite; sources sha256 ${sources()} */\n${file.code}`;
  },
};

export default defineConfig({
  plugins: [banner],
  build: {
    lib: { entry: "src/main.ts", formats: ["iife"], name: "review", fileName: () => "review.js" },
    outDir: "../src/quietcopper/report/static",
    emptyOutDir: false,
    minify: true,
    target: "es2022",
  },
  worker: { format: "iife" },
});
