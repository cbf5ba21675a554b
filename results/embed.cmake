# SPDX-License-Identifier: GPL-3.0-or-later
# Writes text files as C arrays: cmake -DOUT=x.c -DPAIRS=name=file;... -P embed.cmake
set(source "/* Written by the build. */\n#include \"results/report.h\"\n")
foreach(pair ${PAIRS})
  string(REGEX MATCH "^([a-z_]+)=(.*)$" _ "${pair}")
  file(READ "${CMAKE_MATCH_2}" bytes HEX)
  string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," bytes "${bytes}")
  string(APPEND source "const char ${CMAKE_MATCH_1}[] = {${bytes}0};\n")
endforeach()
file(WRITE "${OUT}" "${source}")
