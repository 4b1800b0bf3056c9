#!/usr/bin/env bash
# See to the shared libraries of the system that a Python package loads:
#     tools/system_libraries.sh PYTHON PACKAGE LIBRARY-OF-THE-PACKAGE
# As root on Debian or Ubuntu they are installed, otherwise asked for in one sentence.
set -euo pipefail
python=$1
package=$2
library=$3
[ "$(uname -s)" = Linux ] || exit 0

declare -A package_of=(
    [libX11.so.6]=libx11-6
    [libXrender.so.1]=libxrender1
    [libXxf86vm.so.1]=libxxf86vm1
    [libXfixes.so.3]=libxfixes3
    [libXi.so.6]=libxi6
    [libxkbcommon.so.0]=libxkbcommon0
    [libXext.so.6]=libxext6
    [libSM.so.6]=libsm6
    [libICE.so.6]=libice6
    [libXt.so.6]=libxt6
    [libGL.so.1]=libgl1
    [libEGL.so.1]=libegl1
    [libgomp.so.1]=libgomp1
    [libusb-1.0.so.0]=libusb-1.0-0
)

site=$("$python" -c 'import sysconfig; print(sysconfig.get_path("platlib"))')
missing_libraries() {
    ldd "$site/$package"/$library | awk '/not found/ {print $1}'
    # Loaded while running, for pictures without a display.
    "$python" -c 'import ctypes; ctypes.CDLL("libEGL.so.1")' 2>/dev/null || echo libEGL.so.1
}

wanted=()
for name in $(missing_libraries | sort -u); do
    wanted+=("${package_of[$name]:-the package with $name}")
done
[ ${#wanted[@]} -gt 0 ] || exit 0

if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
    export DEBIAN_FRONTEND=noninteractive
    echo "setup: installing ${wanted[*]}"
    log=$( (apt-get update -qq && apt-get install -qq -y --no-install-recommends "${wanted[@]}") 2>&1) ||
        echo "$log" >&2
fi
if [ -n "$(missing_libraries)" ]; then
    echo "setup: $package needs libraries that are missing here; install the packages ${wanted[*]}" >&2
    exit 2
fi
