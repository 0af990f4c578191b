package jsondoor

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"net/http"

	"google.golang.org/grpc/codes"

	"huskline/internal/fault"
)

// Bounded refuses a request whose body is larger than a limit, whole and by name (413, message_too_large), in the form of the door's other refusals.
func Bounded(next http.Handler, limit int64) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Body == nil || r.Body == http.NoBody {
			next.ServeHTTP(w, r)
			return
		}
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, limit))
		var over *http.MaxBytesError
		switch {
		case errors.As(err, &over):
			refuse(w, http.StatusRequestEntityTooLarge, codes.ResourceExhausted,
				fault.Invalid("message_too_large", "body of the request: it is larger than %d bytes, which is what one message may have; send fewer readings at a time", limit))
			return
		case err != nil:
			refuse(w, http.StatusBadRequest, codes.InvalidArgument, fault.Invalid("message_cut", "body of the request: it ended before it was whole: %v", err))
			return
		}
		r.Body = io.NopCloser(bytes.NewReader(body))
		next.ServeHTTP(w, r)
	})
}

// refusal is a status as the door writes it.
type refusal struct {
	Code    codes.Code `json:"code"`
	Message string     `json:"message"`
	Details []detail   `json:"details"`
}

type detail struct {
	Type   string `json:"@type"`
	Reason string `json:"reason"`
	Domain string `json:"domain"`
}

func refuse(w http.ResponseWriter, status int, code codes.Code, why error) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(refusal{code, why.Error(), []detail{{"type.googleapis.com/google.rpc.ErrorInfo", fault.ReasonOf(why), "huskline"}}})
}
