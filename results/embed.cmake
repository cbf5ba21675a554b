# SPDX-License-Identifier: GPL-3.0-or-later
# Writes two text files as C arrays: cmake -DOUT=x.c -DSCRIPT=file -DSTYLE=file -P embed.cmake
set(source "/* Written by the build. */\n#include \"results/report.h\"\n")
foreach(part SCRIPT STYLE)
  string(TOLOWER ${part} name)
  file(READ "${${part}}" bytes HEX)
  string(REGEX REPLACE "([0-9a-f][0-9a-f])" "'\\\\x\\1'," bytes "${bytes}")
  string(APPEND source "const char report_dygraphs_${name}[] = {${bytes}0};\n")
endforeach()
file(WRITE "${OUT}" "${source}")
