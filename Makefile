# lendkeep. `make demo` runs the main job without a daemon or hardware, `make
# test` passes the tests; both install what is missing first.

GO       ?= go
TAGS     := libvirt_dlopen
BIN      := build/lendkeep
export GOFLAGS := -tags=$(TAGS)

.PHONY: build measure man completions install demo test test-outside fuzz bench tools clean

# No path of this machine and no debugger's tables, so that the same commit gives
# the same programs; panics name their lines all the same.
BUILD := $(GO) build -trimpath -ldflags "-s -w"
build: tools measure
	CGO_ENABLED=1 $(BUILD) -buildmode=pie -o $(BIN) ./cmd/lendkeep
	CGO_ENABLED=0 $(BUILD) -o $(BIN)-hook ./cmd/lendkeep-hook
	CGO_ENABLED=0 $(BUILD) -o $(BIN)-inside ./providers/emulated/agent

# What measures drives, for each system that a guest may have: lendkeep puts it there.
MEASURE := build/measure
VERSION := $(shell sed -n 's/^const number = "\(.*\)"$$/\1/p' cmd/lendkeep/version.go)
measure:
	for system in linux-amd64 linux-arm64 windows-amd64; do \
	  case $$system in windows-*) end=.exe;; *) end=;; esac; \
	  CGO_ENABLED=0 GOOS=$${system%-*} GOARCH=$${system#*-} $(BUILD) -ldflags "-s -w -X main.number=$(VERSION)" \
	    -o $(MEASURE)/lendkeep-measure-$$system$$end ./cmd/lendkeep-measure || exit 1; \
	done

# The man pages, out of what the program itself shows as help.
MAN := build/man
man: build
	rm -rf $(MAN)
	$(BIN) man $(MAN)

# What has shells complete command lines.
COMPLETIONS := build/completions
completions: build
	rm -rf $(COMPLETIONS)
	$(BIN) completions $(COMPLETIONS)

# Where the guard's hook, the watch's unit, lendkeep measure and rehearse --twin look
# for their programs, and where the package has all of it.
install: build man completions
	install -D $(BIN) $(DESTDIR)/usr/bin/lendkeep
	install -D $(BIN)-hook $(DESTDIR)/usr/sbin/lendkeep-hook
	for program in $(BIN)-inside $(MEASURE)/*; do \
	  install -D $$program $(DESTDIR)/usr/lib/lendkeep/$${program##*/} || exit 1; \
	done
	for page in $(MAN)/*; do \
	  install -D -m 644 $$page $(DESTDIR)/usr/share/man/man$${page##*.}/$${page##*/} || exit 1; \
	done
	install -D -m 644 $(COMPLETIONS)/lendkeep $(DESTDIR)/usr/share/bash-completion/completions/lendkeep
	install -D -m 644 $(COMPLETIONS)/_lendkeep $(DESTDIR)/usr/share/zsh/vendor-completions/_lendkeep
	install -D -m 644 $(COMPLETIONS)/lendkeep.fish $(DESTDIR)/usr/share/fish/vendor_completions.d/lendkeep.fish
	for file in examples/*/*; do \
	  install -D -m 644 $$file $(DESTDIR)/usr/share/doc/lendkeep/$$file || exit 1; \
	done

# The Debian package, in build; and a tar archive for other hosts, with its
# checksum. Both hold what make install installs.
.PHONY: deb dist deb-same deb-lint deb-test dist-test
PACKAGE := cmd/lendkeep/package
deb dist:
	@./testdata/need.sh binutils dpkg xz-utils
	rm -rf build/$@ && rm -f build/lendkeep*.$(ENDS)
	$(MAKE) --no-print-directory install DESTDIR=build/$@
	$(PACKAGE)/$@.sh build/$@ build
deb: ENDS := deb
dist: ENDS := tar.gz*

# The package is the same, byte for byte, built again from a copy elsewhere.
deb-same: deb
	./testdata/same.sh build/lendkeep_*.deb

deb-lint: deb
	@./testdata/need.sh lintian
	lintian --fail-on error build/lendkeep_*.deb

# Installs the package in a clean Debian root below a temporary folder, runs the main
# job from it and removes it. Needs root; mmdebstrap fetches packages.
deb-test: deb
	@./testdata/need.sh mmdebstrap
	./testdata/debtest.sh build/lendkeep_*.deb

# Unpacks the archive elsewhere, and runs the main job from it.
dist-test: dist
	./testdata/disttest.sh build/lendkeep-*.tar.gz

# gcc for the libvirt binding; libvirt's library, which brings its test driver
# and its schemas.
tools:
	@./testdata/need.sh gcc libvirt0

demo: build
	@./testdata/demo.sh $(BIN)

# Everything that checks against other programs must run here, not skip; and
# nothing is taken from the cache, which does not know those programs.
test: export LENDKEEP_REQUIRE_OUTSIDE := 1
test: test-tools
	$(GO) vet ./...
	for system in linux/arm64 windows/amd64; do \
	  CGO_ENABLED=0 GOOS=$${system%/*} GOARCH=$${system#*/} $(GO) vet ./providers/measure ./cmd/lendkeep-measure || exit 1; \
	done
	$(GO) test -count=1 -timeout 25m ./... ./testdata/emuhost/...

.PHONY: test-tools
test-tools:
	@./testdata/need.sh gcc util-linux libvirt0 libvirt-daemon-driver-qemu qemu-system-x86 qemu-utils libxml2-utils pci.ids ovmf gdisk fdisk dosfstools mtools xfsprogs e2fsprogs ntfs-3g libhivex-bin libwin-hivex-perl exfatprogs btrfs-progs cryptsetup-bin systemd groff-base bash-completion dpkg binutils kmod qemu-guest-agent cpio initramfs-tools-core bzip2 lz4 xz-utils zstd dracut-core

# Drawn pages in a real browser (providers/page/browser), and the README's pictures.
.PHONY: page-tools page-test pictures
page-tools:
	@./testdata/need.sh chromium tidy fonts-dejavu-core
page-test: build page-tools
	LENDKEEP_REQUIRE_OUTSIDE=1 $(GO) test -tags=$(TAGS),pages -count=1 -timeout 20m ./providers/page/browser
pictures: build page-tools
	$(GO) test -tags=$(TAGS),pages -count=1 ./providers/page/browser -run '^TestMakePictures$$' -pictures

# The emulated host (testdata/emuhost): a real kernel that really lends, in
# software. host builds its image, host-test runs the whole suite, host-smoke two
# tests of it, host-shell gives a prompt. host-twins rehearses on twins of hosts.
.PHONY: host host-test host-twins host-smoke host-shell host-tools fixtures
host-tools:
	@./testdata/need.sh gcc qemu-system-x86 qemu-utils e2fsprogs tar
host: host-tools
	$(GO) run ./testdata/emuhost/cmd build
host-test: host
	LENDKEEP_EMUHOST=1 $(GO) test -v -timeout 150m ./testdata/emuhost/suite
host-twins: host
	LENDKEEP_EMUHOST=1 $(GO) test -v -timeout 150m ./testdata/emuhost/twins
host-smoke: host
	LENDKEEP_EMUHOST=1 $(GO) test -v -timeout 25m -run 'TestSurvey|TestRollback' ./testdata/emuhost/suite
host-shell: host
	$(GO) run ./testdata/emuhost/cmd shell

# testdata/hosts anew: a lend in the emulated host, and what is invented beside it.
fixtures: host
	@./testdata/need.sh pci.ids
	rm -rf build/trees
	$(GO) run ./testdata/emuhost/cmd capture build/trees
	$(GO) test -count=1 ./providers/sysfs -run '^TestMakeCaptured$$' -trees $(CURDIR)/build/trees
	$(GO) test -count=1 ./providers/sysfs -run '^TestLarch$$' -update

# lendkeep-measure beside fio, in turns on one file below MEASURE_DIR, with 2 GiB free:
# minutes of nothing but reading and writing. wine-test runs the Windows program under
# wine (670 MB of packages): where it goes, not how fast.
.PHONY: measure-test wine-test
MEASURE_DIR ?= /var/tmp
measure-test:
	@./testdata/need.sh fio
	LENDKEEP_MEASURE_DIR=$(MEASURE_DIR) $(GO) test -count=1 -timeout 1h -v -run '^TestBesideFio$$' ./providers/measure
wine-test: measure
	@./testdata/need.sh wine64 binutils-mingw-w64-x86-64
	./testdata/winetest.sh $(MEASURE)/lendkeep-measure-windows-amd64.exe

# The real process, killed at a thousand random moments of apply, resume and
# rollback on a stand-in host; make test has forty.
.PHONY: kill-test
KILLS ?= 1000
kill-test: tools
	LENDKEEP_KILLS=$(KILLS) $(GO) test -count=1 -timeout 3h -v -run '^TestKilledOrders$$' ./cmd/lendkeep

# Each fuzz target for a short while; FUZZTIME=10m for a long one.
FUZZTIME ?= 20s
fuzz:
	@$(GO) list ./... | while read package; do \
	  $(GO) test -list '^Fuzz' $$package | grep ^Fuzz | while read target; do \
	    echo "$$package $$target"; $(GO) test -run '^$$' -fuzz "^$$target$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 10x $$package || exit 1; \
	  done || exit 1; done

bench:
	$(GO) test -run '^$$' -bench . -benchmem ./...

clean:
	rm -rf build
