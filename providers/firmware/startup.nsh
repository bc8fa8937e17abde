{{define "own" -}}
for %v run (0 {{.LastVolume}})
  if exist fs%v:\{{.Tag}} then
    set -v lkown fs%v:
  endif
endfor
{{end -}}
@echo -off
# lendkeep shim disk: loads a driver that the firmware lacks, then starts the
# system of a drive that only this driver reads.
#
# The UEFI Shell knows no substrings and no functions, and it numbers volumes
# anew whenever drives appear. Hence: this disk finds itself by a file that no
# other disk has, and volumes are told apart by their device paths, which are
# kept in lists that 'for' splits at the blanks.
set -v lkown none
{{template "own" .}}
# Which volumes does the firmware see by itself? It may have connected only
# what it boots from. Loading a driver connects everything, without a word, so
# one is loaded that does nothing.
load %lkown%\{{.Idle}} > NUL
map -r > NUL
{{template "own" .}}
set -v lkbefore none
for %v run (0 {{.LastVolume}})
  if exist fs%v:\ then
    set -v lkpath none
    map fs%v -sfo | parse Mappings 3 -i 1 >v lkpath
    set -v lkbefore "%lkbefore% %lkpath%"
  endif
endfor

# The driver brings its volumes, and numbers move.
load %lkown%\{{.Driver}} > NUL
map -r > NUL
{{template "own" .}}
# Which volumes did the driver bring, and which others are not shim disks?
set -v lknew none
set -v lkother none
for %v run (0 {{.LastVolume}})
  if exist fs%v:\ then
    if not exist fs%v:\{{.Folder}} then
      set -v lkpath none
      map fs%v -sfo | parse Mappings 3 -i 1 >v lkpath
      set -v lkold no
      for %b in %lkbefore%
        if "%b" == "%lkpath%" then
          set -v lkold yes
        endif
      endfor
      if "%lkold%" == "no" then
        set -v lknew "%lknew% fs%v:"
      else
        set -v lkother "%lkother% fs%v:"
      endif
    endif
  endif
endfor
# None brought: the firmware reads the drive by itself after all.
if "%lknew%" == "none" then
  set -v lknew "%lkother%"
endif
{{if .Node}}
# The wanted partition is the volume whose device path is that of some device
# with this behind it: {{.Node}}
set -v lkwanted none
set -v lkend no
for %n run (1 {{.LastRow}})
  if "%lkend%" == "no" then
    set -v lkpath none
    map -sfo | parse Mappings 3 -i %n >v lkpath
    if "%lkpath%" == "none" then
      set -v lkend yes
    else
      set -v lkwanted "%lkwanted% %lkpath%/{{.Node}}"
    endif
  endif
endfor
set -v lkall "%lknew%"
set -v lknew none
for %c in %lkall%
  if not "%c" == "none" then
    set -v lkpath none
    map %c -sfo | parse Mappings 3 -i 1 >v lkpath
    for %w in %lkwanted%
      if "%w" == "%lkpath%" then
        set -v lknew "%lknew% %c"
      endif
    endfor
  endif
endfor
{{end}}
# A loader runs in a script of its own: one that fails ends only that script.
for %c in %lknew%
  if not "%c" == "none" then
{{- range .Loaders}}
    if exist "%c{{.}}" then
      echo "lendkeep: starting %c{{.}}"
      %lkown%\{{$.Try}} "%c{{.}}"
      echo "lendkeep: %c{{.}} came back with %lasterror%"
    endif
{{- end}}
  endif
endfor

echo "lendkeep: {{.Nothing}}"
{{if .PowerOff -}}
echo "lendkeep: powering off"
reset -s
{{else -}}
echo "lendkeep: 'map' lists the volumes, 'reset -s' powers off, 'exit' goes on with the next boot option"
{{end -}}
