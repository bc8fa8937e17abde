module lendkeep

go 1.26.0

require (
	github.com/agext/levenshtein v1.2.1
	github.com/beevik/etree v1.8.1
	github.com/cavaliergopher/cpio v1.0.1
	github.com/chromedp/cdproto v0.159.0
	github.com/chromedp/chromedp v0.23.0
	github.com/coreos/go-systemd/v22 v22.7.0
	github.com/cpuguy83/go-md2man/v2 v2.0.7
	github.com/creack/pty v1.1.24
	github.com/diskfs/go-diskfs v1.9.4
	github.com/gofrs/flock v0.13.2
	github.com/hashicorp/hcl/v2 v2.25.0
	github.com/jaypipes/pcidb v1.1.1
	github.com/klauspost/compress v1.18.5
	github.com/lima-vm/go-qcow2reader v0.6.0
	github.com/moby/sys/mountinfo v0.7.3
	github.com/pierrec/lz4/v4 v4.1.26
	github.com/rogpeppe/go-internal v1.16.0
	github.com/rs/zerolog v1.35.1
	github.com/spf13/cobra v1.10.2
	github.com/spf13/pflag v1.0.9
	github.com/stretchr/testify v1.12.1
	github.com/ulikunitz/xz v0.5.17
	github.com/zclconf/go-cty v1.20.0
	golang.org/x/arch v0.32.0
	golang.org/x/sync v0.18.0
	golang.org/x/sys v0.50.0
	golang.org/x/term v0.48.0
	golang.org/x/text v0.31.0
	golang.org/x/tools v0.38.0
	libvirt.org/go/libvirt v1.11010.0
	pgregory.net/rapid v1.3.0
)

require (
	github.com/anchore/go-lzo v0.1.0 // indirect
	github.com/apparentlymart/go-textseg/v15 v15.0.0 // indirect
	github.com/apparentlymart/go-textseg/v17 v17.0.1 // indirect
	github.com/djherbis/times v1.6.0 // indirect
	github.com/elliotwutingfeng/asciiset v0.0.0-20260129054604-cfde2086bc57 // indirect
	github.com/go-json-experiment/json v0.0.0-20260213210345-44df1a37e875 // indirect
	github.com/google/go-cmp v0.7.0 // indirect
	github.com/google/uuid v1.6.0 // indirect
	github.com/inconshreveable/mousetrap v1.1.0 // indirect
	github.com/mattn/go-colorable v0.1.14 // indirect
	github.com/mattn/go-isatty v0.0.20 // indirect
	github.com/mitchellh/go-wordwrap v1.0.1 // indirect
	github.com/pkg/xattr v0.4.12 // indirect
	github.com/russross/blackfriday/v2 v2.1.0 // indirect
	github.com/sirupsen/logrus v1.9.4 // indirect
	go.yaml.in/yaml/v3 v3.0.5 // indirect
	golang.org/x/mod v0.29.0 // indirect
)
