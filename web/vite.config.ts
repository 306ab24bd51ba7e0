import { readFileSync } from 'node:fs';
import { defineConfig, type Plugin } from 'vite';

/** The worker that keeps the pages for offline use is told here which files there are, and which build they are of. */
function offline(): Plugin {
  return {
    name: 'offline',
    generateBundle(_, bundle) {
      const worker = bundle['sw.js'];
      if (worker?.type !== 'chunk') return;
      const files = Object.keys(bundle).filter((file) => file !== 'sw.js' && !file.endsWith('.map'));
      const hashed = files.filter((file) => file !== 'index.html').map((file) => `/${file}`);
      const kept = ['/', '/mark.svg', '/manifest.webmanifest', ...hashed];
      const build = files
        .join()
        .split('')
        .reduce((sum, c) => (sum * 31 + c.charCodeAt(0)) >>> 0, 7)
        .toString(36);
      const put = (word: string, value: unknown) => {
        // Which quotes stand around it is up to whoever made the code small.
        const whole = new RegExp(`(["'\`])${word}\\1`);
        if (!whole.test(worker.code)) this.error(`the worker does not say ${word}`);
        worker.code = worker.code.replace(whole, () => JSON.stringify(value));
      };
      put('FILES', kept);
      put('BUILD', `pages-${build}`);
    },
  };
}

/** The letters go out with their licence, which asks for that (SIL Open Font License 1.1, condition 2). */
function licences(): Plugin {
  return {
    name: 'licences',
    generateBundle() {
      const source = readFileSync(new URL('node_modules/@fontsource/barlow/LICENSE', import.meta.url));
      this.emitFile({ type: 'asset', fileName: 'licence-of-the-letters.txt', source });
    },
  };
}

/** Where `npx vite` finds a running workbench while the pages are worked on. */
const workbench = 'http://127.0.0.1:4715';

export default defineConfig({
  plugins: [licences(), offline()],
  build: {
    target: 'es2022',
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    rollupOptions: {
      input: { index: 'index.html', sw: 'src/sw.ts' },
      output: { entryFileNames: (chunk) => (chunk.name === 'sw' ? 'sw.js' : 'assets/[name]-[hash].js') },
    },
  },
  server: {
    // The phrases of other languages are the report's too, and lie in a crate.
    fs: { allow: ['..'] },
    proxy: { '/api': { target: workbench, ws: true, changeOrigin: true, headers: { origin: workbench } } },
  },
  test: { include: ['src/**/*.test.{ts,tsx}'] },
} as Parameters<typeof defineConfig>[0]);
