package definition

import "github.com/beevik/etree"

// KeepSecrets gives a definition the passwords that full, the same guest's
// definition as libvirt keeps it, has for its screens. libvirt leaves them out
// of what it prints unless it is asked for them, and forgets them when it is
// given that back; so they are put in at the last moment and stand in no
// survey and no order.
func KeepSecrets(xml, full string) (string, error) {
	secrets, err := parse(full)
	if err != nil {
		return "", err
	}
	screens := children(child(secrets.guest, "devices"), "graphics")
	t, err := parse(xml)
	if err != nil {
		return "", err
	}
	taken := map[*etree.Element]bool{}
	for _, e := range children(child(t.guest, "devices"), "graphics") {
		for _, had := range screens {
			if taken[had] || attr(had, "type") != attr(e, "type") {
				continue
			}
			taken[had] = true
			copySecrets(e, had)
			break
		}
	}
	return t.String(), nil
}

// copySecrets copies a screen's password with its conditions (libvirt domain
// format, "graphics"), unless the screen has one.
func copySecrets(to, from *etree.Element) {
	if attr(to, "passwd") != "" {
		return
	}
	for _, secret := range []string{"passwd", "passwdValidTo", "connected"} {
		if value := attr(from, secret); value != "" {
			to.CreateAttr(secret, value)
		}
	}
}
