package rpc

import (
	"context"
	"errors"

	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// MetaDisposition is the header that proposes a name for a file (RFC 6266).
const MetaDisposition = "content-disposition"

// exportTypes are the content types of exports: JSON lines as jsonlines.org proposes it (it is not registered), CSV after RFC 4180.
var exportTypes = map[casework.ExportFormat]string{
	casework.ExportLines: "application/jsonl",
	casework.ExportCSV:   "text/csv; charset=utf-8",
}

var exportFormats = map[pb.ExportFormat]casework.ExportFormat{
	pb.ExportFormat_EXPORT_FORMAT_JSON_LINES: casework.ExportLines,
	pb.ExportFormat_EXPORT_FORMAT_CSV:        casework.ExportCSV,
}

// ExportEntries streams bytes of a file: pieces that are cut anywhere.
func (s audit) ExportEntries(req *pb.ExportEntriesRequest, stream grpc.ServerStreamingServer[httpbody.HttpBody]) error {
	ctx := stream.Context()
	r := &reader{}
	x := casework.Export{Filter: r.filter(req.GetFilter(), "filter"), Format: exportFormats[req.GetFormat()], After: req.GetAfter()}
	if err := r.refused(ctx, req); err != nil {
		return err
	}
	kind, ok := exportTypes[x.Format]
	if !ok {
		return fault.InvalidFields([]fault.Violation{{Field: "format", Rule: "enum.defined", Text: "one of the named values is needed"}})
	}
	p := principalOf(ctx)
	begun := false
	err := s.cases.ExportEntries(ctx, p, x, func(piece []byte) error {
		if !begun {
			begun = true
			clinic := p.ClinicID
			if clinic == "" {
				clinic = record.NetworkClinic
			}
			if err := stream.SetHeader(metadata.Pairs(MetaDisposition, `attachment; filename="audit-`+clinic+`.`+string(x.Format)+`"`)); err != nil {
				return gone(ctx, err)
			}
		}
		if err := stream.Send(&httpbody.HttpBody{ContentType: kind, Data: piece}); err != nil {
			return gone(ctx, err)
		}
		return nil
	})
	return ended(ctx, err)
}

// gone is why nothing more can be sent: the reader has gone, unless the error says something else.
func gone(ctx context.Context, err error) error {
	if errors.As(err, new(*fault.Error)) || ctx.Err() != nil {
		return err
	}
	return fault.Wrap(fault.Canceled, "CANCELED", "the caller went away", err)
}

// ended is why a stream ended: what ended its context, if that is a failure of its own.
func ended(ctx context.Context, err error) error {
	var f *fault.Error
	if err != nil && ctx.Err() != nil && errors.As(context.Cause(ctx), &f) {
		return f
	}
	return err
}
