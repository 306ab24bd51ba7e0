import './style/fonts.css';
import './style/base.css';
import './style/parts.css';
import './style/shell.css';
import './style/places.css';
import './style/looking.css';
import './style/command.css';
import './style/report.css';

import { render } from 'preact';
import { startHold } from './app/hold';
import { startKeys } from './app/keys';
import { startLists } from './app/lists';
import { loadRest, room } from './app/rooms';
import { startRouter, where } from './app/router';
import { Shell } from './app/shell';
import { start } from './app/state';
import { startLook } from './app/theme';
import { startSaying } from './text/said';

/** How long nothing is shown while the page asks who it is, ms. */
const WAIT_MS = 300;
/** How long a page that is ready waits before it gets the places that nobody has gone to yet, ms. */
const REST_MS = 1500;

startLook();
startSaying();
startRouter();
// On its way while the page asks who it is.
room(where.value.place);
startKeys();
startLists();
startHold();
const show = () => render(<Shell />, document.getElementById('page')!);
// A page that is drawn twice is ready later: that it waits is said only where it has to.
const waits = setTimeout(show, WAIT_MS);
void start().then(() => {
  clearTimeout(waits);
  show();
  setTimeout(loadRest, REST_MS);
});
// Only a page at a safe address (the machine itself, or https) may keep itself for offline use.
if ('serviceWorker' in navigator) void navigator.serviceWorker.register('/sw.js');
