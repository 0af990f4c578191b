package main

import (
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
)

// reply is what the JSON door answered.
type reply struct {
	code int
	body string
}

func ask(t *testing.T, method, url, token, body string) reply {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	require.NoError(t, err)
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer func() { require.NoError(t, resp.Body.Close()) }()
	text, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return reply{resp.StatusCode, string(text)}
}

// jsonDoor asks and writes over HTTP. It catches a door beside the interceptors, a path that is not there, and an answer that is not the command
// line's.
func jsonDoor(t *testing.T, up *planttest.One, tr *trade) {
	base, token := "http://"+up.HTTP, readToken(t, up.Dir)
	const sale = `{"commandId":"9a7c2a52-9a68-4a43-8a3e-0f6a3b3c8f01","shipment":"j-X1","kind":"SHIPMENT_KIND_SALE","consignee":"C1","channel":"bulk",
		"lines":[{"line":"1","lot":"j-D1","quantity":"250000000"}],"effective":"2024-11-01T08:00:00Z"}`
	delivery := tr.delivery("j-D1", 1_000, 1_000_000, 1)
	for _, tt := range []struct {
		name, method, path, token, body string
		code                            int
		says                            string
	}{
		{"live", http.MethodGet, "/livez", "", "", http.StatusOK, "live"},
		{"ready", http.MethodGet, "/readyz", "", "", http.StatusOK, `"intake":"ready"`},
		{"metrics", http.MethodGet, "/metrics", "", "", http.StatusOK, "service="},
		{"contract", http.MethodGet, "/openapi.json", "", "", http.StatusOK, "/v1/intake/deliveries"},
		{"no token", http.MethodGet, "/v1/intake/parties", "", "", http.StatusUnauthorized, "token"},
		{"wrong token", http.MethodGet, "/v1/intake/parties", strings.Repeat("0", 64), "", http.StatusUnauthorized, "token"},
		{"parties", http.MethodGet, "/v1/intake/parties", token, "", http.StatusOK, `"party":"G1"`},
		{"unknown path", http.MethodGet, "/v1/intake/nowhere", token, "", http.StatusNotFound, ""},
		{"no JSON", http.MethodPost, "/v1/intake/deliveries", token, "{", http.StatusBadRequest, ""},
		{"unknown field", http.MethodPost, "/v1/intake/deliveries", token, `{"colour":1}`, http.StatusBadRequest, "colour"},
		{"no command id", http.MethodPost, "/v1/intake/deliveries", token, `{}`, http.StatusBadRequest, "command_id"},
		{"before the lot came", http.MethodPost, "/v1/inventory/shipments", token, sale, http.StatusBadRequest, "j-D1"},
		{"the same from another", http.MethodPost, "/v1/inventory/shipments", "", sale, http.StatusUnauthorized, "token"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if tt.name == "before the lot came" {
				done(t, tr.intake.RecordDelivery, delivery)
			}
			got := ask(t, tt.method, base+tt.path, tt.token, tt.body)
			if got.code != tt.code || !strings.Contains(strings.ReplaceAll(got.body, `": "`, `":"`), tt.says) {
				t.Errorf("%d %s; want %d with %q", got.code, got.body, tt.code, tt.says)
			}
		})
	}
	t.Run("a sale, twice", func(t *testing.T) {
		now := strings.Replace(sale, "2024-11-01T08:00:00Z", tr.start.AddDate(0, 0, 3).Format("2006-01-02T15:04:05Z"), 1)
		first := ask(t, http.MethodPost, base+"/v1/inventory/shipments", token, now)
		require.Equal(t, http.StatusOK, first.code, first.body)
		require.Equal(t, first, ask(t, http.MethodPost, base+"/v1/inventory/shipments", token, now))
		tr.wantStock(t, "j-D1", 750)
	})
}
