#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# A run over libserialport: the simulated bench's pseudo-terminals look like two USB adapters
# in a mount namespace of the test's own, and a preloaded stand-in answers for their modem
# lines. Listed, opened at 250000 and 115200 baud, a whole run, unplugged in mid-run.
set -u
if [ "$(id -u)" != 0 ]; then
    echo "skipped: only root may have a mount namespace of its own"
    exit 77
fi
if [ "${1:-}" != inside ]; then
    exec unshare --mount --propagation private bash "$0" inside
fi
scratch=$(mktemp -d /tmp/wetsweep-serial-XXXXXX)
bench_process=
finish() {
    [ -n "$bench_process" ] && kill "$bench_process" 2>/dev/null && wait "$bench_process" 2>/dev/null
    rm -rf "$scratch"
}
trap finish EXIT
cd "$scratch" || exit 1
failed=0

cat >bench.rig <<'RIG'
axis
  port /dev/serial/by-id/usb-Invented_Adapter_7 at 250000 baud
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
  port /dev/ttyUSB8 at 115200 baud
  line csv
  clock column 1 in ms, wraps at 2^32
  channel level column 2 in volts role sensor
end
RIG
sed -e 's,^  port /dev/serial.*,  port axis,; s,^  port /dev/tty.*,  port board,' bench.rig >sim.rig
printf 'start at 10 mm\nramp to 60 mm at 50 mm/s\nhold 1 s\nramp to 10 mm at 50 mm/s\n' >short.profile
printf 'axis\n  position live\nend\n' >good.bench
"$WETSWEEP" simulate --bench good.bench --rig sim.rig --links ports >bench.log 2>&1 &
bench_process=$!
for _ in $(seq 100); do
    [ -e ports/axis ] && [ -e ports/board ] && break
    sleep 0.05
done

# What is done to /dev and /sys from here on, nobody else sees.
mkdir dev
mount -t tmpfs none dev
mkdir dev/pts dev/shm
mount --bind /dev/pts dev/pts
for node in null zero urandom; do
    : >dev/$node
    mount --bind /dev/$node dev/$node
done
: >dev/ttyUSB7 && mount --bind "$(readlink -f ports/axis)" dev/ttyUSB7
: >dev/ttyUSB8 && mount --bind "$(readlink -f ports/board)" dev/ttyUSB8
mkdir -p dev/serial/by-id
ln -s ../../ttyUSB7 dev/serial/by-id/usb-Invented_Adapter_7
mount --move dev /dev
mount -t tmpfs none /sys
for n in 7 8; do
    at=/sys/devices/pci0000:00/usb1/1-$n
    mkdir -p "$at/1-$n:1.0/ttyUSB$n/tty/ttyUSB$n" /sys/class/tty
    ln -s "../../../ttyUSB$n" "$at/1-$n:1.0/ttyUSB$n/tty/ttyUSB$n/device"
    ln -s "../../devices/pci0000:00/usb1/1-$n/1-$n:1.0/ttyUSB$n/tty/ttyUSB$n" /sys/class/tty/ttyUSB$n
    echo 1 >"$at/busnum"
    echo 1$n >"$at/devnum"
    echo 1209 >"$at/idVendor"
    echo 000$n >"$at/idProduct"
    echo Invented >"$at/manufacturer"
    echo Adapter >"$at/product"
    echo "$n" >"$at/serial"
done

"$WETSWEEP" ports >list 2>err || failed=1
for part in /dev/ttyUSB7 /dev/ttyUSB8 '1209:0007, serial 7' \
    'port /dev/serial/by-id/usb-Invented_Adapter_7' 'port /dev/ttyUSB8'; do
    grep -q "$part" list || { echo "ports: no '$part'"; cat list err; failed=1; }
done

# Sanitizers want to be first in line; what is preloaded only passes ioctl on.
run() {
    ASAN_OPTIONS="${ASAN_OPTIONS:-}:verify_asan_link_order=0" LD_PRELOAD=$WETSWEEP_MODEM_LINES \
        "$WETSWEEP" run short.profile --rig bench.rig --board WS-B-0007 --revision B "$@"
}
run --out whole.recording >out 2>err
status=$?
if [ $status -ne 0 ] || ! grep -q '^Complete:' out; then
    echo "a whole run: status $status"
    cat out err
    failed=1
fi
speed() { stty -F "$1" | sed -n 's/^speed \([0-9]*\).*/\1/p'; }
[ "$(speed /dev/ttyUSB8)" = 115200 ] || { echo "the board's speed: $(speed /dev/ttyUSB8)"; failed=1; }

run --out gone.recording --patience "4 s" >gone.out 2>gone.err &
gone=$!
for _ in $(seq 200); do grep -q measuring gone.out && break; sleep 0.05; done
sleep 0.5
kill $bench_process
wait $bench_process 2>/dev/null
bench_process=
wait $gone
status=$?
# The words are those of the path through libserialport.
if [ $status -ne 5 ] || ! grep -q 'the line is gone; was it unplugged' gone.err; then
    echo "unplugged: status $status"
    cat gone.out gone.err
    failed=1
fi
exit $failed
