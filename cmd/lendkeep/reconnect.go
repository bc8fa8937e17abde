package main

import (
	"context"
	"time"

	"lendkeep/providers/libvirt"
)

// How long to wait before libvirt is tried again: first, and at most.
const (
	firstBackoff = time.Second
	maxBackoff   = 30 * time.Second
)

// uri is the libvirt to follow: the one that was asked for, else the layout's.
func (s *service) uri() string {
	switch {
	case s.where.connect != "":
		return s.where.connect
	case s.rules.Libvirt != "":
		return s.rules.Libvirt
	default:
		return defaultURI
	}
}

// connect connects to libvirt and follows it; where it does not answer, it is
// tried again a little later.
func (s *service) connect(ctx context.Context) {
	if s.where.standIn != "" {
		return
	}
	s.retry = nil
	conn, err := libvirt.OpenToFollow(s.uri())
	if err == nil {
		var news <-chan libvirt.News
		if news, err = conn.Follow(ctx); err == nil {
			s.conn, s.news, s.backoff, s.away = conn, news, 0, nil
			s.log.Info().Str("uri", s.uri()).Msg("following libvirt")
			return
		}
		conn.Close()
	}
	s.away = err
	s.backoff = min(max(2*s.backoff, firstBackoff), maxBackoff)
	s.retry = time.After(s.backoff)
	s.log.Warn().Err(err).Stringer("again", s.backoff).Msg("libvirt does not answer")
}

// lost lets go of a connection that has ended and makes a new one.
func (s *service) lost(ctx context.Context) {
	s.conn.Close()
	s.conn, s.news = nil, nil
	if ctx.Err() != nil {
		return
	}
	s.log.Warn().Msg("libvirt has ended the connection")
	s.connect(ctx)
}
