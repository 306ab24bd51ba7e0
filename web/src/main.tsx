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
import { startRouter } from './app/router';
import { Shell } from './app/shell';
import { start } from './app/state';
import { startLook } from './app/theme';
import { startSaying } from './text/said';

startLook();
startSaying();
startRouter();
startKeys();
startLists();
startHold();
render(<Shell />, document.getElementById('page')!);
void start();
// Only a page at a safe address (the machine itself, or https) may keep itself for offline use.
if ('serviceWorker' in navigator) void navigator.serviceWorker.register('/sw.js');
