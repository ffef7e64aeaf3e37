"""Planning: a rule tried out over a year. Nothing is stored."""

from drf_spectacular.utils import extend_schema
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from shop.api.keyed import body_as
from shop.api.serializers.planning import WhatIfAnswer, WhatIfAsked
from shop.selectors.what_if import RuleAsked, what_if


class WhatIf(APIView):
    """One question about a rule."""

    permission_classes = (IsAuthenticated,)

    @extend_schema(
        tags=["planning"], summary="Try another rule on a unit model", request=WhatIfAsked,
        responses={200: WhatIfAnswer},
    )  # fmt: skip
    def post(self, request: Request) -> Response:
        """Give a year of jobs, litres and cost by month, as the rule stands and as asked.

        422 names every figure that cannot be used.
        """
        figures = body_as(request, WhatIfAsked)
        model_code = figures.pop("unit_model")
        return Response(WhatIfAnswer(what_if(request.user, model_code, RuleAsked(**figures))).data)
