// SPDX-License-Identifier: GPL-3.0-or-later
// Puts plots that zoom in the place of the still pictures. Dygraphs keeps the axes, the
// zoom and the mouse; each series is drawn here, from its own data, in the ink, shape and
// dash that the still picture has. Without this script the page is whole, but still.
'use strict';
(function () {
    const shapes = {
        disc(c, x, y, r) { c.arc(x, y, r, 0, 7); return true; },
        ring(c, x, y, r) { c.arc(x, y, r, 0, 7); return false; },
        square(c, x, y, r) { c.rect(x - r, y - r, 2 * r, 2 * r); return false; },
        triangle(c, x, y, r) {
            c.moveTo(x, y - 1.3 * r); c.lineTo(x + 1.2 * r, y + 0.9 * r);
            c.lineTo(x - 1.2 * r, y + 0.9 * r); c.closePath(); return true;
        },
        diamond(c, x, y, r) {
            c.moveTo(x, y - 1.4 * r); c.lineTo(x + 1.4 * r, y); c.lineTo(x, y + 1.4 * r);
            c.lineTo(x - 1.4 * r, y); c.closePath(); return false;
        },
        cross(c, x, y, r) {
            c.moveTo(x - r, y - r); c.lineTo(x + r, y + r);
            c.moveTo(x + r, y - r); c.lineTo(x - r, y + r); return false;
        },
    };

    // ---- one series, on the canvas of a plot ----

    const drawers = {
        line(c, s, at) {
            if (s.low) {
                c.save(); c.globalAlpha = 0.15; c.beginPath();
                s.x.forEach((x, i) => { if (s.high[i] !== null) c.lineTo(at.x(x), at.y(s.high[i])); });
                for (let i = s.x.length - 1; i >= 0; i--)
                    if (s.low[i] !== null) c.lineTo(at.x(s.x[i]), at.y(s.low[i]));
                c.fill(); c.restore();
            }
            c.lineWidth = 1.7; c.lineJoin = 'round';
            c.setLineDash(s.dash ? s.dash.split(' ').map(Number) : []);
            c.beginPath();
            let pen = 'moveTo';
            s.x.forEach((x, i) => {
                if (x === null || s.y[i] === null) { pen = 'moveTo'; return; }
                c[pen](at.x(x), at.y(s.y[i])); pen = 'lineTo';
            });
            c.stroke();
        },
        points(c, s, at) {
            const r = s.x.length > 250 ? 1.2 : 3.2;
            c.lineWidth = 1.3;
            if (s.low) {
                c.beginPath();
                s.x.forEach((x, i) => {
                    if (s.low[i] === null || s.high[i] === null) return;
                    const px = at.x(x), a = at.y(s.low[i]), b = at.y(s.high[i]);
                    c.moveTo(px, a); c.lineTo(px, b);
                    c.moveTo(px - 3, a); c.lineTo(px + 3, a); c.moveTo(px - 3, b); c.lineTo(px + 3, b);
                });
                c.stroke();
            }
            s.x.forEach((x, i) => {
                if (x === null || s.y[i] === null) return;
                c.beginPath();
                if (shapes[s.shape](c, at.x(x), at.y(s.y[i]), r)) c.fill(); else c.stroke();
            });
        },
        bars(c, s, at) {
            c.setLineDash(s.dash ? s.dash.split(' ').map(Number) : []);
            s.x.forEach((x, i) => {
                if (x === null || s.y[i] === null) return;
                const a = at.x(x - s.width / 2), b = at.x(x + s.width / 2), top = at.y(s.y[i]);
                c.globalAlpha = 0.3; c.fillRect(a, top, b - a, at.foot - top);
                c.globalAlpha = 1; c.strokeRect(a, top, b - a, at.foot - top);
            });
        },
        spans(c, s, at) {
            const high = 0.6 * Math.abs(at.y(1) - at.y(0));
            const slant = [0, 1, -1, 0, 2, -2][s.pattern] * high, gap = s.pattern === 3 ? 4 : 7;
            for (let i = 0; i + 1 < s.x.length; i += 2) {
                const a = at.x(s.x[i]), wide = Math.max(at.x(s.x[i + 1]) - a, 0.5);
                const top = at.y(s.y[i]) - high / 2;
                c.save();
                c.globalAlpha = 0.22; c.fillRect(a, top, wide, high);
                c.globalAlpha = 1; c.strokeRect(a, top, wide, high);
                c.beginPath(); c.rect(a, top, wide, high); c.clip();
                if (s.pattern) {
                    c.globalAlpha = 0.5; c.beginPath();
                    for (let x = a - Math.abs(slant) + gap / 2; x < a + wide + Math.abs(slant); x += gap) {
                        c.moveTo(x, top); c.lineTo(x + slant, top + high);
                    }
                    c.stroke();
                }
                c.globalAlpha = 1; c.fillStyle = '#1d2b33'; c.font = '12px sans-serif';
                c.textAlign = 'center'; c.textBaseline = 'middle';
                if (c.measureText(s.name).width + 8 < wide) c.fillText(s.name, a + wide / 2, top + high / 2);
                c.restore();
            }
        },
    };

    // ---- data for Dygraphs: one row for each x, one column for each series ----

    function table(figure) {
        const rows = new Map(), width = figure.series.length + 1;
        figure.series.forEach((s, k) => s.x.forEach((x, i) => {
            if (x === null || (figure.log_x && x <= 0)) return;
            // Two points of a series at one x: the second moves by less than a pixel shows.
            while (rows.has(x) && rows.get(x)[k + 1] !== null) x += Math.abs(x) * 1e-12 + 1e-12;
            if (!rows.has(x)) { const row = new Array(width).fill(null); row[0] = x; rows.set(x, row); }
            rows.get(x)[k + 1] = s.y[i];
        }));
        return Array.from(rows.values()).sort((a, b) => a[0] - b[0]);
    }

    function csv(figure) {
        const quoted = text => '"' + text.replace(/"/g, '""') + '"';
        const cell = value => value === null || value === undefined ? '' : value;
        let text = 'series,' + quoted(figure.x_label) + ',' + quoted(figure.y_label) + ',low_95,high_95\r\n';
        for (const s of figure.series)
            s.x.forEach((x, i) => {
                text += [quoted(s.name), cell(x), cell(s.y[i]), s.low ? cell(s.low[i]) : '',
                    s.high ? cell(s.high[i]) : ''].join(',') + '\r\n';
            });
        return text;
    }

    // ---- one plot ----

    const plots = {}, shown = new Map();

    function number(value) { return String(Number(value.toPrecision(5))); }

    function nearby(figure, output, x, row) {
        const parts = [];
        figure.series.forEach((s, k) => {
            const value = row[k + 1];
            if (value === null || value === undefined || isNaN(value)) return;
            parts.push(s.name + ' ' + (figure.rows.length ? '' : number(value)));
        });
        output.textContent = figure.x_label.split(',')[0] + ' ' + number(x) + ': ' + parts.join('; ');
    }

    // Plots of one chapter over the same quantity move together, and return each to its own
    // whole.
    let leading = false;
    function companions(figure) {
        return Array.from(shown.keys()).filter(other => other.chapter === figure.chapter &&
            other.x_label === figure.x_label && other.log_x === figure.log_x);
    }
    function together(figure, self) {
        if (leading) return;
        leading = true;
        const dateWindow = self.xAxisRange();
        for (const other of companions(figure))
            if (shown.get(other) !== self) shown.get(other).updateOptions({dateWindow});
        leading = false;
    }
    function whole(figure) {
        leading = true;
        for (const other of companions(figure)) shown.get(other).updateOptions(frame(other));
        leading = false;
    }
    function frame(figure) {
        return {dateWindow: figure.x_range, valueRange: figure.rows.length ?
            [figure.y_range[1], figure.y_range[0]] : figure.y_range};
    }

    function draw(figure, section) {
        const output = section.querySelector('output'), data = table(figure);
        if (!data.length) return null;
        figure.chapter = section.closest('.chapter').id;
        // Many points lie under the lines through them, few on top.
        const layer = s => s.mark === 'line' ? 1 : s.mark === 'points' && s.x.length <= 250 ? 2 : 0;
        const ordered = figure.series.slice().sort((a, b) => layer(a) - layer(b));
        const series = {}, last = figure.series.length - 1;
        figure.series.forEach((s, k) => { series['s' + k] = {color: s.ink, plotter() {}}; });
        series['s' + last].plotter = e => {
            const c = e.drawingContext, g = e.dygraph, area = e.plotArea;
            const at = {
                // toDomXCoord goes straight even where the axis is logarithmic.
                x: x => area.x + g.toPercentXCoord(x) * area.w, y: y => g.toDomYCoord(y),
                foot: figure.log_y ? area.y + area.h : g.toDomYCoord(0),
            };
            c.save();
            c.strokeStyle = '#6d7a80'; c.lineWidth = 1;
            c.strokeRect(area.x + 0.5, area.y + 0.5, area.w - 1, area.h - 1);
            const [low, high] = g.yAxisRange();
            if (!figure.rows.length && !figure.log_y && low < 0 && high > 0) {
                c.beginPath(); c.moveTo(area.x, at.foot); c.lineTo(area.x + area.w, at.foot); c.stroke();
            }
            c.restore();
            for (const s of ordered) {
                c.save();
                c.strokeStyle = c.fillStyle = s.ink;
                drawers[s.mark](c, s, at);
                c.restore();
            }
        };
        const rowTicks = figure.rows.map((label, v) => ({v, label}));
        const letters = figure.rows.reduce((most, name) => Math.max(most, name.length), 0);
        const options = {
            labels: ['x'].concat(figure.series.map((s, k) => 's' + k)), series,
            xlabel: figure.x_label, ylabel: figure.y_label, legend: 'never',
            connectSeparatedPoints: true, logscale: figure.log_y,
            gridLineColor: '#d9d4c8', gridLineWidth: 0.7, axisLineColor: '#6d7a80', xLabelHeight: 20,
            highlightCircleSize: 3,
            axes: {
                x: {logscale: figure.log_x, drawGrid: true},
                y: figure.rows.length ?
                    {axisLabelWidth: Math.min(14 + 7 * letters, 240), ticker: () => rowTicks} :
                    {axisLabelWidth: 62},
            },
            highlightCallback: (event, x, points, row) => nearby(figure, output, x, data[row]),
            unhighlightCallback: () => { output.textContent = ''; },
            drawCallback: (g, first) => { if (!first) together(figure, g); },
            interactionModel: Object.assign({}, Dygraph.defaultInteractionModel, {
                dblclick: () => whole(figure),
            }),
        };
        // The frame must be there before Dygraphs measures it.
        section.classList.add('drawn');
        const plot = new Dygraph(section.querySelector('.plot'), data, Object.assign(options, frame(figure)));
        shown.set(figure, plot);
        section.querySelector('.tools').hidden = false;
        section.querySelector('.whole').addEventListener('click', () => whole(figure));
        section.querySelector('.nearer').addEventListener('click', () => {
            const [a, b] = plot.xAxisRange();
            const quarter = figure.log_x ? Math.pow(b / a, 0.25) : (b - a) / 4;
            plot.updateOptions({dateWindow: figure.log_x ? [a * quarter, b / quarter] :
                [a + quarter, b - quarter]});
        });
        const save = section.querySelector('.save');
        save.addEventListener('click', () => {
            save.href = URL.createObjectURL(new Blob([csv(figure)], {type: 'text/csv'}));
        });
        return plot;
    }

    for (const figure of JSON.parse(document.getElementById('figures').textContent)) {
        const plot = draw(figure, document.getElementById('figure-' + figure.id));
        if (plot) plots[figure.id] = plot;
    }
    window.plots = plots;

    // ---- the water on the staff ----

    const water = document.querySelector('.staff .water');
    function level() {
        const room = document.documentElement.scrollHeight - window.innerHeight;
        water.style.height = 96 - 90 * (room > 0 ? window.scrollY / room : 0) + '%';
    }
    if (water) { window.addEventListener('scroll', level, {passive: true}); level(); }
})();
