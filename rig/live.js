// SPDX-License-Identifier: GPL-3.0-or-later
// The live page asks /plan once and /state some times a second, and draws what they say. It
// sends nothing but, when somebody gives the token, the wish to stop.
'use strict';
(function () {
    const ASK_MS = 500, HIDDEN_MS = 5000, TIMEOUT_MS = 4000, WHOLE_EVERY = 10, KEPT_S = 620;
    const BAD = ['fault', 'malformed', 'lost', 'disk', 'resend', 'silent', 'unplugged', 'reset'];
    const at = id => document.getElementById(id);
    const svg = 'http://www.w3.org/2000/svg';
    let plan = null, now = null, whole = null, eventCount = 0;
    const depth = {count: 0, samples: []}, reading = {count: 0, samples: []};
    let span = 120, asked = 0, missed = 0;

    // ---- words ----

    function set(id, text) { const e = at(id); if (e.textContent !== text) e.textContent = text; }
    function known(value, digits, unit) {
        return value === null || value === undefined ? '\u2013' :
            value.toFixed(digits) + (unit ? '\u202f' + unit : '');
    }
    function counted(value) { return value === null ? '\u2013' : value.toLocaleString('en-GB').replace(/,/g, '\u202f'); }
    function duration(s) {
        if (s === null || s === undefined) return '\u2013';
        s = Math.max(0, Math.round(s));
        const h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60;
        return h ? h + '\u202fh ' + m + '\u202fmin' : m ? m + '\u202fmin ' + s % 60 + '\u202fs' : s + '\u202fs';
    }
    function bytes(value) {
        if (value === null) return '\u2013';
        const units = ['kB', 'MB', 'GB', 'TB'];
        let k = 0;
        for (value /= 1e3; value >= 1000 && k < 3; k++) value /= 1e3;
        return value.toFixed(value < 10 ? 1 : 0) + '\u202f' + units[k];
    }
    function mark(id, bad) { at(id).classList.toggle('bad', bad); }

    // ---- the tank ----

    let tankScale = 1, tankFoot = 0;
    function shape(name, attributes, parent, text) {
        const e = document.createElementNS(svg, name);
        for (const key in attributes) e.setAttribute(key, attributes[key]);
        if (text !== undefined) e.textContent = text;
        parent.appendChild(e);
        return e;
    }
    function step(range, about) {
        const raw = range / about, power = Math.pow(10, Math.floor(Math.log10(raw))), part = raw / power;
        return power * (part < 1.5 ? 1 : part < 3.5 ? 2 : part < 7.5 ? 5 : 10);
    }
    // With depth d the water stands d above the board's lower edge.
    function drawBoard() {
        const board = at('board'), top = 24, bottom = 600;
        const low = Math.min(plan.park_mm, 0) - 8, high = plan.deepest_mm * 1.08 + 5;
        tankScale = (bottom - top) / (high - low);
        tankFoot = bottom + low * tankScale;
        board.replaceChildren();
        shape('rect', {class: 'plank', x: 80, y: top - 30, width: 56, height: tankFoot - top + 30}, board);
        const by = step(high, 8);
        for (let d = 0, k = 0; d < high; d += by, k++) {
            const y = tankFoot - d * tankScale;
            shape('path', {class: 'mark', d: 'M80 ' + y + 'h' + (k % 2 ? 28 : 56)}, board);
            if (k % 2) shape('rect', {class: 'block', x: 108, y: y - by * tankScale, width: 28, height: by * tankScale}, board);
            shape('text', {x: 72, y: y + 5, 'text-anchor': 'end'}, board, String(+d.toFixed(6)));
        }
        shape('text', {x: 10, y: 20}, board, 'mm');
        drawWater(plan.park_mm);
    }
    function drawWater(depth) {
        const y = tankFoot - depth * tankScale;
        at('water').style.transform = at('gauge').style.transform = 'translateY(' + y.toFixed(1) + 'px)';
    }

    // ---- traces ----

    const LEFT = 58, RIGHT = 10, TOP = 6, FOOT = 20;
    function ground(element, from, to, low, high, unit) {
        const wide = element.clientWidth, high_ = element.clientHeight;
        element.replaceChildren();
        element.setAttribute('viewBox', '0 0 ' + wide + ' ' + high_);
        const x = v => LEFT + (wide - LEFT - RIGHT) * (v - from) / (to - from);
        const y = v => high_ - FOOT - (high_ - FOOT - TOP) * (v - low) / (high - low);
        const dy = step(high - low, element.classList.contains('trace') ? 5 : 2);
        const digits = Math.max(0, -Math.floor(Math.log10(dy) + 1e-9));
        for (let v = Math.ceil(low / dy) * dy; v <= high; v += dy) {
            shape('path', {class: 'rule', d: 'M' + LEFT + ' ' + y(v).toFixed(1) + 'H' + (wide - RIGHT)}, element);
            shape('text', {x: LEFT - 6, y: y(v) + 4, 'text-anchor': 'end'}, element, v.toFixed(digits));
        }
        const scale = unit === 'h' ? 3600 : unit === 'min' ? 60 : 1, dx = step((to - from) / scale, 6);
        for (let v = Math.ceil(from / scale / dx) * dx; v <= to / scale; v += dx) {
            const px = x(v * scale);
            shape('path', {class: 'rule', d: 'M' + px.toFixed(1) + ' ' + TOP + 'V' + (high_ - FOOT)}, element);
            shape('text', {x: px, y: high_ - 5, 'text-anchor': 'middle'}, element,
                +v.toFixed(6) + (px > wide - 90 ? ' ' + unit : ''));
        }
        return {x, y};
    }
    function unitOf(seconds) { return seconds > 3 * 3600 ? 'h' : seconds > 300 ? 'min' : 's'; }
    function ends(values) {
        let low = Infinity, high = -Infinity;
        for (const v of values) if (v !== null) { low = Math.min(low, v); high = Math.max(high, v); }
        if (low > high) return [0, 1];
        const margin = (high - low) * 0.08 || Math.abs(high) * 0.05 || 1;
        return [low - margin, high + margin];
    }
    function drawTrace(id, trace, className, gap) {
        const element = at(id), samples = trace.samples;
        const last = Math.max(...[depth, reading].map(t => t.samples.length ? t.samples[t.samples.length - 1][0] : 0));
        const from = last - span, seen = samples.filter(s => s[0] >= from);
        const [low, high] = ends(seen.map(s => s[1]));
        const g = ground(element, from - last, 0, low, high, 's');
        let path = '', before = null;
        for (const s of seen) {
            // Where no line came for a while there is a gap; a board that rests has no new depth.
            path += (before === null || s[0] - before > gap ? 'M' : 'L') +
                g.x(s[0] - last).toFixed(1) + ' ' + g.y(s[1]).toFixed(1);
            before = s[0];
        }
        shape('path', {class: className, d: path || 'M0 0'}, element);
    }
    function band(element, g, rows, className, width) {
        let path = '';
        rows.forEach((row, i) => {
            if (!row || row[0] === null) return;
            const a = g.x(i * width), b = g.x((i + 1) * width);
            path += 'M' + a.toFixed(1) + ' ' + g.y(row[0]).toFixed(1) + 'H' + b.toFixed(1) + 'V' +
                (g.y(row[1]) - 0.5).toFixed(1) + 'H' + a.toFixed(1) + 'z';
        });
        shape('path', {class: className, d: path || 'M0 0'}, element);
    }
    function drawStrips() {
        const width = plan.duration_s / plan.outline.length;
        const [low, high] = ends([].concat(...plan.outline.filter(Boolean)));
        // Immersion grows downwards in the tank, and upwards here as in the traces above.
        let g = ground(at('strip-plan'), 0, plan.duration_s, low, high, unitOf(plan.duration_s));
        band(at('strip-plan'), g, plan.outline, 'band-plan', width);
        if (now && now.plan_s !== null) {
            const done = Math.floor(now.plan_s / width);
            band(at('strip-plan'), g, plan.outline.slice(0, done), 'band-done', width);
            shape('path', {class: 'now', d: 'M' + g.x(now.plan_s).toFixed(1) + ' ' + TOP + 'V' +
                (at('strip-plan').clientHeight - FOOT)}, at('strip-plan'));
        }
        if (!whole) return;
        const rows = whole.low_high.map(r => [r[2], r[3]]), to = Math.max(whole.step_s * rows.length, plan.duration_s);
        const range = ends([].concat(...rows));
        g = ground(at('strip-reading'), 0, to, range[0], range[1], unitOf(to));
        band(at('strip-reading'), g, rows, 'band-reading', whole.step_s);
    }

    // ---- how it stands ----

    function standing() {
        const e = at('standing');
        const words = {complete: 'complete', stopped: 'stopped', faulted: 'ended by a fault'};
        let text = now.state === 'running' ? now.phase || 'running' : words[now.state] || now.state;
        if (now.state === 'running' && now.segment !== null && now.kind)
            text += ': ' + now.kind + (now.way ? ', ' + now.way + ' water' : '');
        if (now.stopping && now.state === 'running') text = 'stopping: the axis slows down and parks the board';
        set('standing', text);
        e.className = now.state === 'complete' ? 'good' : now.state === 'running' ? '' : 'bad';
        let alarm = now.state !== 'running' ? now.why : '';
        if (now.state === 'running' && now.quiet_s > 5) alarm = 'Nothing has come for ' + duration(now.quiet_s) + '.';
        if (missed > 2 && now.state === 'running') alarm = 'This page gets no answer; what it shows is old.';
        const box = at('alarm');
        box.hidden = !alarm;
        set('alarm', alarm);
        box.className = now.state === 'complete' ? 'good' : '';
    }
    function show() {
        standing();
        set('depth', known(now.depth_mm, 1, 'mm'));
        set('reading', now.reading === null ? '\u2013' : +now.reading.toPrecision(5) + '\u202f' + plan.reading_unit);
        set('left', now.state === 'running' ? duration(now.left_s) : '\u2013');
        set('segment', now.segment === null ? '\u2013' : now.segment + ' of ' + now.segments);
        set('time', duration(now.t_s));
        set('rows', counted(now.rows));
        set('rate', now.rows_per_s === null || now.state !== 'running' ? '\u2013' : Math.round(now.rows_per_s) + '\u202f/s');
        set('malformed', counted(now.malformed));
        set('lost', counted(now.lost));
        set('resends', counted(now.resends));
        mark('lost', now.lost > 0);
        set('disk', bytes(now.disk_free_bytes));
        mark('disk', now.disk_free_bytes !== null && now.disk_free_bytes < 2 * plan.bytes_planned);
        if (now.depth_mm !== null) { drawWater(now.depth_mm); set('gauge-depth', now.depth_mm.toFixed(1)); }
        at('stopping').hidden = !plan.can_stop || now.state !== 'running';
        drawTrace('trace-depth', depth, 'line-depth', Infinity);
        drawTrace('trace-reading', reading, 'line-reading', 3);
        drawStrips();
        document.title = (now.state === 'running' ? duration(now.left_s) + ' left' : now.state) + ', ' + plan.board;
    }
    function addEvents(list) {
        const body = at('events').tBodies[0];
        for (const event of list) {
            const row = body.insertRow(0);
            row.insertCell().textContent = event.t_s.toFixed(1) + '\u202fs';
            row.insertCell().textContent = event.kind;
            row.insertCell().textContent = event.text;
            row.classList.toggle('bad', BAD.some(word => event.kind.includes(word)));
        }
        while (body.rows.length > 40) body.deleteRow(-1);
    }

    // ---- asking ----

    async function get(path) {
        const give_up = new AbortController(), timer = setTimeout(() => give_up.abort(), TIMEOUT_MS);
        try {
            const answer = await fetch(path, {signal: give_up.signal, cache: 'no-store', credentials: 'omit'});
            if (!answer.ok) throw new Error(answer.status);
            return await answer.json();
        } finally {
            clearTimeout(timer);
        }
    }
    function takePlan(told) {
        plan = told;
        const what = plan.title || plan.profile;
        set('title', what + ': board ' + plan.board + ', revision ' + plan.revision);
        set('who', [plan.coating && 'coating: ' + plan.coating, plan.note, plan.profile, plan.rig, plan.recording,
            plan.started && 'started ' + plan.started].filter(Boolean).join(' \u00b7 '));
        if (plan.reading_name) {
            set('reading-name', plan.reading_name);
            set('caption-reading', plan.reading_name + ', ' + plan.reading_unit);
            set('caption-whole', 'the whole run: ' + plan.reading_name + ', ' + plan.reading_unit);
        }
        drawBoard();
    }
    function grow(trace, told) {
        if (told.count < trace.count) trace.samples = [];
        trace.samples.push(...told.new);
        trace.count = told.count;
        const oldest = trace.samples.length ? trace.samples[trace.samples.length - 1][0] - KEPT_S : 0;
        trace.samples = trace.samples.filter(s => s[0] >= oldest);
    }
    function takeState(told) {
        if (told.events.count < eventCount) at('events').tBodies[0].replaceChildren();
        now = told.now;
        grow(depth, told.depth);
        grow(reading, told.reading);
        eventCount = told.events.count;
        addEvents(told.events.new);
        if (told.whole) whole = told.whole;
    }
    async function ask() {
        try {
            if (!plan) takePlan(await get('/plan'));
            takeState(await get('/state?depths=' + depth.count + '&readings=' + reading.count + '&events=' + eventCount +
                (asked++ % WHOLE_EVERY ? '' : '&whole=1')));
            missed = 0;
            show();
        } catch (error) {
            missed++;
            if (now && plan) standing();
            else set('standing', 'no answer from the bench yet');
        }
        setTimeout(ask, document.hidden ? HIDDEN_MS : ASK_MS);
    }

    // ---- the one thing that can be asked for ----

    at('token').value = /^#[0-9a-f]{32}$/.test(location.hash) ? location.hash.slice(1) : '';
    at('stop').addEventListener('submit', async event => {
        event.preventDefault();
        const button = at('stop').querySelector('button');
        button.disabled = true;
        try {
            const answer = await fetch('/stop', {method: 'POST', body: at('token').value, credentials: 'omit'});
            set('answer', (await answer.text()).trim());
        } catch (error) {
            set('answer', 'No answer.');
        }
        button.disabled = false;
    });
    document.querySelectorAll('[data-span]').forEach(button => button.addEventListener('click', () => {
        span = Number(button.dataset.span);
        document.querySelectorAll('[data-span]').forEach(b => b.setAttribute('aria-pressed', String(b === button)));
        if (now && plan) show();
    }));
    window.addEventListener('resize', () => { if (now && plan) show(); });
    ask();
})();
