# SPDX-License-Identifier: GPL-3.0-or-later
# Writes text files as C arrays, each ended by a 0:
#   cmake -DOUT=x.c -P embed.cmake array=file [array=file]...
set(source "/* Written by the build. */\n")
foreach(index RANGE 1 ${CMAKE_ARGC})
  if("${CMAKE_ARGV${index}}" MATCHES "^([a-z_]+)=(.+)$")
    set(array ${CMAKE_MATCH_1})
    file(READ "${CMAKE_MATCH_2}" bytes HEX)
    string(REGEX REPLACE "([0-9a-f][0-9a-f])" "'\\\\x\\1'," bytes "${bytes}")
    string(APPEND source "extern const char ${array}[];\nconst char ${array}[] = {${bytes}0};\n")
  endif()
endforeach()
file(WRITE "${OUT}" "${source}")
