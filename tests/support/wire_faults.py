# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults over the wire: `wetsweep run` against the simulated bench in real time, with a go-between on
pseudo-terminals that damages, drops, unplugs and lies, or with the process itself held or killed, its
disk slow or full, its clock set back. Prints a row a fault: what was done, how often, what came of it.

    wire_faults.py PROGRAM PROFILES BAD_DAYS.so [TIMES [FAULT...]]    status 1: one went otherwise
"""
import csv, json, os, pty, random, re, resource, select, shutil, signal, subprocess, sys, tempfile, threading, time, tty

PROGRAM, PROFILES, BAD_DAYS = sys.argv[1:4]
TIMES = int(sys.argv[4]) if len(sys.argv) > 4 else 1
WANTED = sys.argv[5:]
AT_ONCE = 16
RIG = """axis
  port axis
  travel 0 mm to 200 mm
  speed up to 60 mm/s
  acceleration up to 900 mm/s2
  resolution 400 steps/mm
  park at -20 mm
  position live
end
water
  datum at stage 31.4 mm
end
source board
  port board
  line csv, checksum nmea
  clock column 1 in ms, wraps at 2^32
  channel level column 2 in volts role sensor
end
"""
PROFILE = """start at 10 mm
repeat 4
  ramp to 60 mm at 25 mm/s
  hold 0.5 s
  ramp to 10 mm at 25 mm/s
  hold 0.5 s
end
"""

class Between(threading.Thread):
    """Relays both wires; what it does to them is set from outside."""
    def __init__(self, inner, outer, chance):
        super().__init__(daemon=True)
        self.inner, self.outer, self.random = inner, outer, chance
        self.bench, self.master, self.path = {}, {}, {}
        self.mute, self.stuck, self.flip, self.drop = set(), None, 0.0, 0.0
        self.inject = {}          # port: bytes that the run reads next
        self.unplug, self.plug, self.restart = set(), set(), False
        self.damaged = self.dropped = 0
        self.ended = False
        os.mkdir(outer)
        for port in ('axis', 'board'):
            self.bench[port] = os.open(os.path.join(inner, port), os.O_RDWR | os.O_NOCTTY)
            tty.setraw(self.bench[port])
            self.put_in(port)
    def put_in(self, port):
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        link = os.path.join(self.outer, port)
        if os.path.islink(link):
            os.unlink(link)
        os.symlink(os.ttyname(slave), link)
        self.master[port], self.path[port] = master, slave
    def pull_out(self, port):
        os.close(self.master.pop(port))
        os.close(self.path.pop(port))
        os.unlink(os.path.join(self.outer, port))
    def restart_axis(self):
        os.close(self.bench['axis'])
        time.sleep(0.2) # long enough for the bench to see that it was closed
        self.bench['axis'] = os.open(os.path.join(self.inner, 'axis'), os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.bench['axis'])
    def spoil(self, data):
        out = bytearray()
        for byte in data:
            if self.drop and self.random.random() < self.drop:
                self.dropped += 1
                continue
            if self.flip and self.random.random() < self.flip:
                byte ^= 1 << self.random.randrange(8)
                self.damaged += 1
            out.append(byte)
        return bytes(out)
    def answer(self, port, data):
        if port == 'board' and self.stuck is not None:
            # Whole lines with a reading that no longer moves, and a checksum that is right.
            self.partial = getattr(self, 'partial', b'') + data
            *lines, self.partial = self.partial.split(b'\n')
            data = b''
            for line in lines:
                cells = line.strip().lstrip(b'$').split(b'*')[0].split(b',')
                if len(cells) < 2:
                    continue
                if self.stuck == b'':
                    self.stuck = cells[1]
                cells[1] = self.stuck
                body, check = b','.join(cells), 0
                for byte in body:
                    check ^= byte
                data += b'$%s*%02X\r\n' % (body, check)
        return data
    def run(self):
        while not self.ended:
            for port in list(self.unplug):
                self.unplug.discard(port)
                self.pull_out(port)
                if port == 'axis':
                    self.restart_axis()
            for port in list(self.plug):
                self.plug.discard(port)
                self.put_in(port)
            if self.restart:
                self.restart = False
                self.restart_axis()
            for port in list(self.inject):
                if port in self.master:
                    os.write(self.master[port], self.inject.pop(port))
            fds = {self.bench[p]: (p, True) for p in self.bench} | {self.master[p]: (p, False) for p in self.master}
            ready, _, _ = select.select(list(fds), [], [], 0.02)
            for fd in ready:
                port, from_bench = fds[fd]
                if fd not in (self.bench.get(port), self.master.get(port)):
                    continue
                try:
                    data = os.read(fd, 4096)
                except OSError:
                    continue # nobody has the other end open just now
                data = self.spoil(data)
                if port in self.mute:
                    continue
                if from_bench:
                    data = self.answer(port, data)
                to = self.master.get(port) if from_bench else self.bench[port]
                try:
                    if to is not None and data:
                        os.write(to, data)
                except OSError:
                    pass

class Case:
    """One run with one fault."""
    def __init__(self, name, seed):
        self.name, self.seed = name, seed
        self.folder = tempfile.mkdtemp(prefix='wetsweep-faults-')
        self.recording = self.folder + '/run.recording'
    def begin(self, environment=None, limit=None, patience='30 s'):
        write = lambda name, text: open(f'{self.folder}/{name}', 'w').write(text)
        write('bench.rig', RIG)
        write('short.profile', PROFILE)
        write('good.bench', 'axis\n  position live\nend\nboard\n  curve 0.35, 0.021 in volts and mm\n  noise 2 mV\n  resolution 0.1 mV\nend\n')
        self.bench = subprocess.Popen([PROGRAM, 'simulate', '--bench', f'{self.folder}/good.bench', '--rig',
            f'{self.folder}/bench.rig', '--links', f'{self.folder}/inner'], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        begun = time.monotonic()
        while not os.path.exists(f'{self.folder}/inner/board'):
            if self.bench.poll() is not None or time.monotonic() - begun > 30:
                raise RuntimeError('the simulated bench made no ports')
            time.sleep(0.02)
        self.between = Between(f'{self.folder}/inner', f'{self.folder}/ports', random.Random(self.seed))
        self.between.start()
        limits = (lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))) if limit else None
        self.out = open(f'{self.folder}/out', 'w+')
        self.run = subprocess.Popen([PROGRAM, 'run', f'{self.folder}/short.profile', '--rig', f'{self.folder}/bench.rig', '--ports',
            f'{self.folder}/ports', '--board', 'WS-B-0007', '--revision', 'B', '--out', self.recording, '--patience', patience],
            stdout=self.out, stderr=self.out, env=os.environ | (environment or {}), preexec_fn=limits)
        self.wait_for('measuring')
        time.sleep(1 + random.Random(self.seed).random() * 2)
    def wait_for(self, words, at_most_s=60):
        begun = time.monotonic()
        while words not in open(f'{self.folder}/out').read():
            if self.run.poll() is not None or time.monotonic() - begun > at_most_s:
                return
            time.sleep(0.05)
    def end(self, at_most_s=150):
        try:
            status = self.run.wait(at_most_s)
        except subprocess.TimeoutExpired:
            self.run.kill()
            status = 'no end'
        self.between.ended = True
        self.between.join()
        self.bench.terminate()
        self.bench.wait()
        return status
    def events(self):
        return list(csv.DictReader(open(self.recording + '/events.csv')))
    def rows(self):
        whole = open(self.recording + '/board.csv', newline='').read().split('\n')[1:-1] # a last line may be cut
        return [float(line.split(',')[0]) for line in whole if re.match(r'[0-9.]+,', line)]
    def text(self):
        return open(f'{self.folder}/out').read()

def board_unplugged(case):
    case.begin()
    case.between.unplug.add('board')
    time.sleep(2)
    case.between.plug.add('board')
def axis_unplugged(case):
    case.begin()
    case.between.unplug.add('axis')
    time.sleep(2)
    case.between.plug.add('axis')
def axis_restarts(case):
    case.begin()
    case.between.restart = True
def axis_stops_by_itself(case):
    case.begin()
    case.between.inject['axis'] = b'Error:endstops hit: Z:91.40\n'
def axis_does_not_answer(case):
    case.begin()
    case.between.mute.add('axis')
    time.sleep(9)
    case.between.mute.discard('axis')
def bytes_damaged(case):
    case.begin()
    case.between.flip = 2e-3
    time.sleep(4)
    case.between.flip = 0
def bytes_dropped(case):
    case.begin()
    case.between.drop = 1e-3
    time.sleep(4)
    case.between.drop = 0
def board_silent(case):
    case.begin()
    case.between.mute.add('board')
    time.sleep(7)
    case.between.mute.discard('board')
def board_stuck(case):
    case.begin()
    case.between.stuck = b''
    case.wait_for('Interrupted:', 20)
    case.between.stuck = None
def run_held(case):
    case.begin()
    case.run.send_signal(signal.SIGSTOP)
    time.sleep(4)
    case.run.send_signal(signal.SIGCONT)
def disk_slow(case):
    case.begin({'LD_PRELOAD': BAD_DAYS, 'BAD_SYNC_S': '5', 'BAD_FROM_S': '3', 'ASAN_OPTIONS': 'verify_asan_link_order=0'})
def disk_full(case):
    case.begin(limit=60000)
def clock_set_back(case):
    case.begin({'LD_PRELOAD': BAD_DAYS, 'BAD_CLOCK_BACK_S': '3600', 'BAD_FROM_S': '4', 'ASAN_OPTIONS': 'verify_asan_link_order=0'})
def killed(case):
    case.begin()
    case.run.kill()
def terminated(case):
    case.begin()
    case.run.terminate()

# What was done, words; statuses; kind of an event that must be there; whether the run is complete
FAULTS = {
    'board unplugged for 2 s': (board_unplugged, 0, 'unplugged'),
    'axis unplugged for 2 s': (axis_unplugged, 0, 'unplugged'),
    'axis restarts in mid-move': (axis_restarts, 0, 'reset'),
    'axis stops by itself (end switch)': (axis_stops_by_itself, 0, 'alarm'),
    'axis does not answer for 9 s': (axis_does_not_answer, 0, 'silent'),
    'bits turned over, both wires, 1 of 500 bytes for 4 s': (bytes_damaged, 0, None),
    'bytes lost, both wires, 1 of 1000 for 4 s': (bytes_dropped, 0, None),
    'board silent for 7 s': (board_silent, 0, 'silent'),
    'board stuck at one value': (board_stuck, 0, 'stuck'),
    'run held for 4 s (SIGSTOP)': (run_held, 0, None),
    'each fdatasync takes 5 s, for 12 s': (disk_slow, 0, None),
    'disk full': (disk_full, 5, 'disk'),
    'system clock set back by 1 h': (clock_set_back, 0, None),
    'kill -9': (killed, -signal.SIGKILL, None),
    'SIGTERM': (terminated, 4, 'stop'),
}

def judge(case, name, status):
    """Sentences for what is wrong; what is worth telling."""
    _, wanted, kind = FAULTS[name]
    wrong, told = [], {}
    try:
        run = json.load(open(case.recording + '/run.json'))
        events, rows = case.events(), case.rows()
    except (OSError, ValueError) as error:
        return [f'the recording can not be read: {error}'], {}
    if status != wanted:
        wrong.append(f'status {status} instead of {wanted}')
    if kind and not any(event['kind'] == kind for event in events):
        wrong.append(f'no event {kind}')
    if rows != sorted(rows):
        wrong.append('times go back')
    parked = 'parked clear of the water' in case.text()
    if name != 'kill -9' and not parked:
        wrong.append('the board is not parked')
    summary = run.get('summary', {})
    told['interruptions'] = summary.get('interruptions', 0)
    told['lost'] = summary.get('records_lost', 0)
    if told['lost']:
        wrong.append(f'{told["lost"]} records lost')
    if wanted == 0 and summary.get('strokes_whole') != summary.get('strokes_planned'):
        wrong.append('strokes are missing')
    if name.startswith(('bits', 'bytes')):
        told['damaged'] = case.between.damaged + case.between.dropped
        if told['damaged'] == 0:
            wrong.append('nothing was damaged')
    if name == 'run held for 4 s (SIGSTOP)' and told['interruptions'] != 1:
        wrong.append('not taken for an interruption')
    if name in ('each fdatasync takes 5 s, for 12 s', 'system clock set back by 1 h') and told['interruptions']:
        wrong.append('interrupted for nothing')
    fit = subprocess.run([PROGRAM, 'fit', case.recording, '--no-ledger'], capture_output=True, text=True)
    if fit.returncode:
        wrong.append('can not be fitted: ' + fit.stderr)
    return wrong, told

results, lock = {name: [] for name in FAULTS}, threading.Lock()
todo = [(name, i) for i in range(TIMES) for name in FAULTS if not WANTED or any(w in name for w in WANTED)]

def work():
    while True:
        with lock:
            if not todo:
                return
            name, number = todo.pop(0)
        case = Case(name, number + 1)
        try:
            FAULTS[name][0](case)
            status = case.end()
            wrong, told = judge(case, name, status)
        except Exception as error: # a case that can't be played has failed
            wrong, told = [f'{type(error).__name__}: {error}'], {}
        with lock:
            results[name].append((wrong, told))
            if wrong:
                print(f'{name}, {number + 1}: {"; ".join(wrong)}\n' + case.text())
        shutil.rmtree(case.folder, ignore_errors=True)

threads = [threading.Thread(target=work) for _ in range(AT_ONCE)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
failed = 0
print(f'{"what was done":56} {"times":>5} {"as wanted":>9} {"interruptions":>13} {"bytes hit":>9} {"records lost":>12}')
for name, cases in results.items():
    if not cases:
        continue
    good = sum(not wrong for wrong, _ in cases)
    failed += len(cases) - good
    total = lambda key: sum(told.get(key, 0) for _, told in cases)
    print(f'{name:56} {len(cases):5} {good:9} {total("interruptions"):13} {total("damaged") or "":>9} {total("lost"):12}')
sys.exit(1 if failed else 0)
