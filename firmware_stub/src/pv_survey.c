/* SPDX-License-Identifier: MIT */
/* The request survey [6.8]: networks in range. Touches of struct pv the number of the scan. */
#include <string.h>

#include "pv_internal.h"

static void put_start(const pv *p, pv_sink *to, const pv_page *page)
{
    pv_put_number(to, PV_KEY_SURVEY_REPLY_SCAN, p->scan);
    pv_put_uint(to, PV_KEY_SURVEY_REPLY_DONE);
    pv_put_simple(to, page->done ? PV_TRUE : PV_FALSE);
    pv_put_number(to, PV_KEY_SURVEY_REPLY_COUNT, page->count);
    pv_put_number(to, PV_KEY_SURVEY_REPLY_FIRST, page->first);
    pv_put_uint(to, PV_KEY_SURVEY_REPLY_NETWORKS);
}

static void put_network(const pv *p, pv_sink *to, uint16_t i)
{
    pv_network network;
    memset(&network, 0, sizeof network);
    p->config->survey->get(p->config->context, (uint8_t)i, &network);
    pv_put_head(to, PV_ARRAY, 3);
    pv_put_bytes(to, network.name, network.length <= sizeof network.name ? network.length : sizeof network.name);
    pv_put_int(to, network.signal <= 0 ? network.signal : 0);
    pv_put_uint(to, network.security);
}

static uint8_t survey(pv *p)
{
    const pv_survey *port = p->config->survey;
    void *context = p->config->context;
    pv_page page = {put_start, put_network, 5, 0, 0, PV_MAX_NETWORKS, true};
    page.first = (uint16_t)p->arguments[PV_KEY_SURVEY_FIRST].number;
    if (p->scan != 0) {
        page.count = port->count(context, &page.done);
    }
    if (pv_has_key(p, PV_KEY_SURVEY_SCAN)) {
        if (p->arguments[PV_KEY_SURVEY_SCAN].number != p->scan) {
            return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, page.count);
        }
    } else if (page.done) {
        if (page.first != 0) { /* a new scan has found nothing yet, and a refusal starts none */
            return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, 0);
        }
        p->scan = p->scan == UINT8_MAX ? 1 : (uint8_t)(p->scan + 1);
        port->start(context);
        page.count = port->count(context, &page.done);
    }
    if (page.first > page.count) {
        return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, page.count);
    }
    return pv_send_page(p, &page);
}

static const PV_ROM pv_request_key keys[] = {PV_KEYS_OF_SURVEY};
const PV_ROM pv_request pv_request_survey = {PV_RULES_OF_SURVEY, PV_COUNT(keys), keys, survey};
